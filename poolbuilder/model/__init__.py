"""The model: pure functions of tables and settings; no file, network, clock or randomness."""
