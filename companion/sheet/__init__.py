"""Paper and pictures: pass maps. What is shown here is computed in the core."""
