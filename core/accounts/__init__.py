"""Double-entry journal, exact splitting, instalments and statements."""
