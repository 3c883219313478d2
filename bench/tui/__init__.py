"""The bench screen: what stands beside the rig all day. An edge; whatever drives the board lives in `bench.station`."""
