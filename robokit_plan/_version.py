"""Which release this is; `pyproject.toml` says the same."""

__version__ = "0.1.0"
