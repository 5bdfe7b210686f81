"""The local web page: choose a water on a map, see its list build, open and keep the report.

It uses the same build and the same report as the command line, answers only this machine's
own browser, and touches nothing but the store and the folder that it was started with.
"""
