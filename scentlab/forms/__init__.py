"""Forms for JupyterLab. A form is a list of fields, and what to do when it is kept.

A form knows neither plan nor store: it takes what is to be recorded and callables. ``desk`` is
where forms, planner and store meet.
"""
