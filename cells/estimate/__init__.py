"""One estimate of a run from everything that was read, weighed, assayed and told; no Django."""
