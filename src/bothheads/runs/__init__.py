"""Many jobs on many processes: sweeps of drum files, strikes and places, and folders of recordings.

``spec`` says what is asked, ``design`` lists its points, ``rows`` answers a chunk of them, ``store`` keeps what is
finished, and ``engine`` spreads the chunks over processes (``pool``) or a Dask cluster (``cluster``).
"""
