"""Who may reach the page, and what may come in: checked before anything else is asked.

By default the page listens on this machine only, and nobody is asked for anything. On the
local network (``--lan``) every request needs the cookie of a paired device: pages, photographs,
uploads and the websocket. The gate stands in front of all of them, whatever their path.
"""
