"""Lets one store live through many power cuts, one after the other, and judges it at each power-on. It must not know
what a firmware makes of the files."""
