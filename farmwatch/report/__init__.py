"""The weekly report: its view (pure), its drawings, its page, and the file that a manager opens."""
