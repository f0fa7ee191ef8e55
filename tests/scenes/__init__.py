"""A ray-caster of its own for photos of worn shafts: no code shared with the measuring packages."""
