"""Pure computation on crane telemetry: arrays in, values out. No I/O, no logging, nothing of ours but domain.

docs/method.md tells every assumption, formula and limit; docs/nomenclature.md every name and unit.
"""
