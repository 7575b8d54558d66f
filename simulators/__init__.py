"""The bundled plant: generators, risers and vents that behave, and misbehave, on a real wire."""
