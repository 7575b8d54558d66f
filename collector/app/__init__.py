"""The daemon's own parts: site monitor, pipeline to the journal, wiring, periodic jobs, systemd."""
