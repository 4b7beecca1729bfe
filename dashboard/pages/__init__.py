"""One module a page; each has a `render(visit)` and, where it needs them, its own callbacks."""
