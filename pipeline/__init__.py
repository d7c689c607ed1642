"""The package `snowtally`: its folder keeps its name, its import name is that of the program."""

if __name__ != "snowtally":
    # Imported from a checkout's folder it would lie in memory twice.
    raise ImportError(f"The import name is snowtally, not {__name__}: write `from snowtally import ...`")
