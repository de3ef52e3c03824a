"""The panel and its light."""
