"""What a department owns and what is believed, turned into a space of inputs and a model from pump to landing."""
