"""bundlekeeper: firmware bundles for data-centre compute, verified, carried, planned and accounted for."""

__version__ = "0.1.0"
