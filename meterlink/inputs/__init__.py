"""Pedals: contacts and key reports in, the bench's three actions out. Gestures and reports are pure."""
