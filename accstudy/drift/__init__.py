"""From sessions of one reference model to charts, signals, change points and advice."""
