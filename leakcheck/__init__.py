"""leakcheck: find the light that leaves a lit scale model where it should not."""
