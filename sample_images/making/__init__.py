"""How the sample photographs are made: bows with known truth, photographed by path tracing.

Not part of the product. ``fitcheck`` lends the cards' pictures and nothing else: geometry,
camera and truth are written anew here, so that an error in the one is not hidden by the same
error in the other. Needs the optional extra ``render``.

The **seat frame** is used throughout, millimetres: origin in the middle of the riser at the
butt line, on the pad; x to the right as one faces the limb's outer face with its tip up, y
along the riser's axis toward the tip, z out of the riser into the limb.
"""
