"""URL schemes of simulated rigs, found by pyserial through ``serial.protocol_handler_packages``."""
