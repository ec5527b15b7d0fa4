"""Sensor message formats: what the application's octets mean, and what each bit of them buys."""
