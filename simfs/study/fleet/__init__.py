"""Estimates from the laws of wear when the first of many devices fails. It must not know how a report is laid out."""
