"""One realisation: a surface that may be the true one, and the way of its water."""
