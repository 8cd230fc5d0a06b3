"""The read-only page on the local network: plain HTML, live values, today's curves, findings, reports."""
