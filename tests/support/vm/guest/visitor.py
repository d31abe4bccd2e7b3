"""Go in by the link that is the argument, as a browser does; write the words of what is shown.

Then another one tries the same link; of a refusal its code (RFC 9110, 15) is written.
"""

from __future__ import annotations

import re
import sys
import urllib.error
import urllib.parse
import urllib.request
from http.cookiejar import CookieJar

link = urllib.parse.urlsplit(sys.argv[1])
origin = f"{link.scheme}://{link.netloc}"
form = urllib.parse.urlencode({"link": urllib.parse.parse_qs(link.query)["link"][0]}).encode()
for _ in ("the first", "the second"):
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    browser.open(sys.argv[1], timeout=600)
    enter = urllib.request.Request(f"{origin}/enter", form, {"Origin": origin})  # noqa: S310
    try:
        shown = browser.open(enter, timeout=600).read().decode()
    except urllib.error.HTTPError as refused:
        shown = str(refused.code)
    sys.stdout.write(" ".join(re.sub(r"<[^>]*>", " ", shown).split()) + "\n")
