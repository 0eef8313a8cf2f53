"""Jobs about media: packing, writing, receiving, receipts.

The session opens what they need; the work itself is in `bundlekeeper.media`.
"""
