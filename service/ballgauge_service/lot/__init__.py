"""Statistics of lots: sampling plans, bounds, tolerance and capability, gauge studies and drift charts.

Pure functions over numbers and arrays. A bad argument raises ValueError naming it; a result is a frozen
dataclass whose `to_dict()` is ready for JSON.
"""
