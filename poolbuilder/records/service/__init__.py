"""Records from the open occurrence service.

The service is GBIF's public occurrence API, or any mirror that behaves as its documentation
says: ``/species/match``, ``/occurrence/search``, ``/dataset/{key}`` and, for very many
records, ``/occurrence/download/request``.
"""
