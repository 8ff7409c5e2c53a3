"""Photos on their way in: the store of files, the intake of uploads, and the jobs that measure them."""
