"""Pure functions over arrays: sphere geometry, mass properties, drilling, balance and motion."""
