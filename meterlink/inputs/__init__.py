"""Pedal and scanner: contacts, key reports and bytes in; the bench's three actions and scanned marks out.

What decides is pure (gestures, machine, reports, characters, scans); `switches` and `readers` hold the open devices.
"""
