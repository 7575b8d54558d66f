"""The bundled plant: simulated generators, risers and vents with faults, served on real Modbus."""
