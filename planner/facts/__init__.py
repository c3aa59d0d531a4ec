"""Facts: a programme as flat facts that rules can look at."""
