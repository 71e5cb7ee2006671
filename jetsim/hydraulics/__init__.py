"""From the pump to the tip: discharge, reaction, hose losses and handling."""
