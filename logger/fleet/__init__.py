"""Many banks, one desk: pushing to a central database, computing over it, and the list of visits."""
