"""Field devices with bad habits, and an independent judge of what the daemon makes of them.

device: raw sockets and the devices' own log. station: devices, daemon process and SCADA client of one run,
and the catalogue of habits. judge: were the promises kept. play: one run from the command line. Nothing here
may import `collector`, `simulators` or a Modbus library.
"""
