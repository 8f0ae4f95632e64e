"""The invented machines of the demo store, modelled in code."""
