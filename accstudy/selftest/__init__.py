"""Published answers that this installation is compared with."""
