"""Jobs about media: packing, writing, receiving, receipts.

What they join is opened by the session; the work itself is in media.
"""
