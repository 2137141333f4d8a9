"""What engine and screens say to each other: messages, framing, client and server."""
