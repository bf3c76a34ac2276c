"""The only room that asks the network; only `lotflow fetch` leads to it."""
