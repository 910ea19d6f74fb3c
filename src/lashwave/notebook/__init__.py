"""Room: notebook. The public Python functions: `lashwave.NAME`.

In come folders and numbers, out come xarray, pandas and matplotlib.
"""
