"""Rules of the self-screen, without web or database: when a link works, what comes next, what to say about a photo."""
