"""Sets of volumes for sites without a link: packed, written, read back, received, with receipts.

Six folders: packing and volume, then set, then writing, receiving and receipt.
"""
