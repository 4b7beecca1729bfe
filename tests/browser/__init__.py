"""A package, so that browser, yard and servers end with its last test and other tests can follow."""
