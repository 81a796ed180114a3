"""The local page: photos, openings, check and report in a browser, all of it on this machine.

`server.py` answers requests and `guard.py` decides which; `session.py` knows what is being worked
on; `worker.py` is a process of its own that measures, so that the page stays alive meanwhile.
"""
