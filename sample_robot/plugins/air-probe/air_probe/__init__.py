"""Air temperature and humidity."""
