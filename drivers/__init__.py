"""The bundled drivers, installed as `meterlink_drivers`; meterlink.registry finds them by looking."""
