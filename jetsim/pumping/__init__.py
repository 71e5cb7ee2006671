"""From pump to crew: what the pump must give for each set-up, how sure that is, and what force then acts on the crew."""
