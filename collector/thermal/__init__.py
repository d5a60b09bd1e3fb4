"""Hot spot, top oil, ageing and loading of every winding of a station. Pure: no I/O, no clock.

Start at :func:`collector.thermal.model.compile_model` and :func:`collector.thermal.track.advance`.
Nothing here may import from outside ``collector.thermal`` except the settings' shape.
"""
