"""What every capability stands on: units, refusals, budgets of time and work, bulk work, compiled kernels."""
