"""HTTP: what people and other software ask of the farm. It drives nothing: the daemon decides."""
