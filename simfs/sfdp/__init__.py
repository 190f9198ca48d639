"""Reads the tables in which a serial flash describes itself (JESD216, SFDP). It must not know the catalogue, a store or
how anything is shown.

Everything here works on bytes that were read out of a part before; nothing costs operations of a flash.
"""
