"""Runs a notebook from top to bottom; any error in it ends the run. usage: execute.py NOTEBOOK RESULT"""

import sys

import nbformat
from nbclient import NotebookClient

source, result = sys.argv[1:]
notebook = nbformat.read(source, as_version=4)
NotebookClient(notebook, timeout=300, kernel_name="python3").execute()
nbformat.write(notebook, result)
print(f"{source}: {sum(c.cell_type == 'code' for c in notebook.cells)} cells ran")
