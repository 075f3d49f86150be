"""A second generator of made records, written from the description of the line alone. It shares no code with the simulator."""
