"""Publishing to other machines: InfluxDB and MQTT, each from its own cursor in the journal."""
