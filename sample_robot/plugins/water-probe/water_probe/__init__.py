"""Temperature, acidity and conductivity of the water."""
