"""From flows to drains: pipes, grade lines, inlets, channels, dry wells; arrays in and out."""
