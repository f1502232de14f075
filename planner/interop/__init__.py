"""How do others call us? Doors for programs that already use another library."""
