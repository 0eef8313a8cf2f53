"""bundlekeeper: firmware bundles for data-centre compute, proven, carried, planned and accounted for."""

__version__ = "0.1.0"
