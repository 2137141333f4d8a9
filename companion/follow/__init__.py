"""Pure: transport, tempo tracker, conductor and agenda. Time comes in as an argument."""
