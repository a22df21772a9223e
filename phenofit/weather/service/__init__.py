"""The station service, from request to dataset.

``client`` is the only module that imports the client library; ``download`` and ``reply`` fetch and check one file;
``cache`` keeps it; ``fetch_plan`` and ``fetch_series`` decide what to ask for; ``fetched`` and ``fetch_report`` give the result.
"""
