"""Which crane can take a job: the question, its answer, the calendar and the day list, levelling, reservations."""
