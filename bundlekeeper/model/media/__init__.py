"""The documents of a set of volumes: index, packing, capacity of volumes.

Types and their JSON; nothing is packed here.
"""
