"""Endless training pictures of parts: drawn anew for every step, on the GPU itself.

Random parts are put together from simple solids (``parts``, ``states``, ``bodies``), given as
signed distance functions, and rendered by ``march.cu`` as patches that are already cut out.
No part is ever seen twice, so that networks cannot know them by heart. What the pictures lack
in likeness to photos, the path tracer's (``assemblies``) have.
"""
