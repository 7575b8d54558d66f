"""InfluxDB: points of commits, batches to one server, and the worker that sends them."""
