"""Everything that runs inside the kernel process: the only modules that import OCP."""
