"""Keeps the short trial out of the suite until losses are found: take this file away to switch it on."""

collect_ignore = ["test_input_losses.py"]
