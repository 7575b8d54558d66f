"""Sparkplug B over MQTT: payloads, the edge node, one session, and the worker that holds them."""
