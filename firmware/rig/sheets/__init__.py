"""The sheets of the schematic, one module each: a function that draws on an empty sheet."""
