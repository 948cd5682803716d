"""Jobs, revisions, decisions and sign-off: their storage, and the desk that shows them.

The server never looks into a file that was sent to it: that is done by a process that can be
stopped (`soffit.shop.work`), by the same verbs as the commands. What it keeps is a database of
small rows (`tables`, `store`) and files by the hash of their content (`blobs`).
"""
