"""Measurements. Each module here but `__main__` is a suite: it has `run() -> None`, which prints
its figures; its docstring says what they mean."""
