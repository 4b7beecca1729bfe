"""Answers to the questions of the three people, one module a question: values of store and duty in, typed answers out."""
