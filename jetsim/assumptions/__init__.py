"""What each assumption about the stream does to a ranking of its inputs."""
