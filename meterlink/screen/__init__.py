"""The live bench screen: a textual program on the service's socket, that the service does not know is there.

`fold` and `words` and `blocks` are pure (messages in, a view out; a view in, text out); `panes` and `dialogs` show,
`app` puts keys to requests, `feed` brings what the service tells.
"""
