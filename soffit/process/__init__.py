"""How a part is made: nozzle, line, layer, material, and what can be printed over air."""
