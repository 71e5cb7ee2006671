"""From pump to crew: what the pump must give for each set-up, how sure that is, and what force acts on the crew."""
