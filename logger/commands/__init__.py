"""The commands, a module for each family. Their modules are light: work is imported inside the functions."""
