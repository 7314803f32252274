"""The demo: the whole job on virtual instruments, in an invented world.

Only the instruments are programs. The pseudo-terminals, the frames, the service process, its socket, the
journal and the auditor's verification are the real ones.
"""
