"""What the worker process does. No Qt here, but for a card on paper, and only once one is wanted."""
