"""The commands. Nothing is computed here: `soffit.api` is called and what it says is shown."""
