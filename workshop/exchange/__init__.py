"""Exchange files: CSV in and out, all or nothing, every bad cell named."""
