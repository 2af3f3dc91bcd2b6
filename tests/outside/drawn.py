"""Is what was drawn neither empty nor cut at the side? `drawn.py PICTURE`."""

import sys

from PIL import Image

picture = Image.open(sys.argv[1]).convert("L")
width, height = picture.size
rows = [picture.crop((0, y, width, y + 1)).getextrema() for y in range(height)]
inked = sum(high - low > 60 for low, high in rows)
assert inked > 200, f"{sys.argv[1]}: only {inked} of {height} rows have anything on them"
# Ink in the last columns would be text or a table that runs out of the page.
low, high = picture.crop((width - 4, 0, width, height)).getextrema()
assert high - low < 60, f"{sys.argv[1]}: something runs out of the page at the right"
print(f"{sys.argv[1].rsplit('/', 1)[-1]}: {width} x {height} px, {inked} rows with something on them, nothing cut at the right")
