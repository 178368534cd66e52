"""Loading this takes a minute, as from a drive that does not answer."""

import time

time.sleep(60)
