"""Which work at the rig can hurt, and what is the usual care?

Common practice, no published source; local rules and licensed people come first.
"""

from __future__ import annotations

__all__ = ["CARE"]

CARE = """<h2 id="care">Care at the rig</h2>
<ul>
<li>Razor edges cut. Store and move blades covered, and mount them with the edge away from you.</li>
<li>Glass targets and slides break into sharp pieces. Wear eye protection when cutting or fitting
them.</li>
<li>Flash and bright LEDs at eye distance can hurt eyes. Do not look into them, and do not fire a
flash while someone's eye is at the subject or the finder.</li>
<li>Lamps get hot and stay hot. Keep them clear of cloth, film and solvents, and let them cool.</li>
<li>Follow local codes for mains wiring. Leave the inside of a flash or a mains supply to people
with the licence that your place requires.</li>
</ul>"""
