"""What the study of a target shares: task, streams, throwing at windows, findings in words and figures."""
