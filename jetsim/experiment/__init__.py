"""The experiment wing: which inputs to try, how to run them all, and what the results say about the inputs."""
