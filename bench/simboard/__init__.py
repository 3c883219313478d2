"""The simulated board: physics of the bench, its rig, its protocol, faults by name and a catalogue of invented units."""
