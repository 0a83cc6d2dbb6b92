"""Clock, errors, units and number formats that every stage uses."""
