"""The Textual screen: shows what the engine publishes, passes the performer's wishes back."""
