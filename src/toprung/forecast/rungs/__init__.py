"""The forecast's judges: one module a rung, each a pure question about one declared flow."""
