"""Makes training pictures and trains the network of :mod:`vision.eye`.

An optional extra (``pip install kneelturn[training]``): users never need it.
Bodies come from the parametric body model ``anny`` (MakeHuman-derived, CC0 assets).
"""
