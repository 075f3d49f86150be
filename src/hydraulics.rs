//! The physics of an infusion line: resistance of tubes, viscosity, blocking laws, exact ramps and relaxations.
