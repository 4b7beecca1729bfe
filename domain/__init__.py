"""The vocabulary: frozen value types, channel names, units and errors. Imports nothing of ours.

docs/nomenclature.md is the dictionary; every name here stands there with its unit and definition.
"""
