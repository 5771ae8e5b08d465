"""The panel: one static page, served by the daemon to the people at the bench.

``guard`` decides who may speak to it, ``present`` knows what there is to tell, ``server`` moves it over HTTP.
"""
