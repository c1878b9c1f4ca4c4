"""The starter job as files; `kitwright init` copies them."""
