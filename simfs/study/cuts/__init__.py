"""Cuts the power at every place in a piece of work and judges what each cut leaves. It must not know how a report is
laid out."""
