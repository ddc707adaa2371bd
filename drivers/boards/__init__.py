"""Switchboards: one class for each way to speak to relays, and several boards as one."""
