"""A yard of invented cranes at work: plans, booms, limiter, sensors, ground truth, and their way over MQTT.

docs/simulator.md describes it. Nothing here is a measurement of a real crane: types, people's habits and duty
profiles are invented, so that the rest of Boomledger can be shown and tested against a known truth.
"""
