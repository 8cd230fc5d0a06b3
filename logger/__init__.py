"""The application: configuration, command tree, recorder, store, sealing, live warnings, pages."""
