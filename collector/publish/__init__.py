"""What leaves the station: the MQTT publisher and the read-only SCADA server.

Nothing here decides anything, and nothing that decides may wait for or import this package.
"""
