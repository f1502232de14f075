"""How do we tell it? Figures, report, tables, and the plan's folder."""
