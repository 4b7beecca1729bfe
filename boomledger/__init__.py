"""The command line, the settings and the single-machine stack that starts and stops everything."""
