"""Runs the `platesmith` program from every host that loads plugins of OpenTimelineIO.

The library finds `plugin_manifest.json` beside this file through the entry point group
`opentimelineio.plugins`.
"""
