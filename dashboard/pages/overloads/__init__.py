"""The register of overloads."""
