"""What several tests share: worlds, servers, child processes, readings of memory and mounts.

No test stands here, and no test imports another.
"""
