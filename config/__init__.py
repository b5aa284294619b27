"""The Django project: settings, addresses, templates, and how the service is run."""
