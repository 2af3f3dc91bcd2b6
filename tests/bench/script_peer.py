"""The pipeline of a script over common libraries: 2-D spectrum peak, bicubic rotation, profile, sub-pixel peaks, line fit.

script_peer.py PICTURE prints the pitch in px and the seconds without decoding. Needs OpenCV, NumPy and SciPy.
"""
import sys
import time

import cv2
import numpy as np
from scipy.signal import find_peaks

picture = cv2.imread(sys.argv[1])
start = time.perf_counter()
grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(np.float32)
height, width = grey.shape
window = np.outer(np.hanning(height), np.hanning(width)).astype(np.float32)
power = np.abs(np.fft.rfft2((grey - grey.mean()) * window)) ** 2
fy = np.fft.fftfreq(height)[:, None]
fx = np.fft.rfftfreq(width)[None, :]
radius = np.hypot(fx, fy)
power[(radius < 1 / 200) | (radius > 1 / 3)] = 0
j, i = np.unravel_index(np.argmax(power), power.shape)
angle = np.degrees(np.arctan2(fy[j, 0], fx[0, i]))
rough = 1 / radius[j, i]
turn = cv2.getRotationMatrix2D((width / 2, height / 2), angle, 1)
turned = cv2.warpAffine(grey, turn, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
profile = turned.mean(axis=0)
peaks, _ = find_peaks(-profile, distance=0.7 * rough, prominence=0.1 * np.ptp(profile))
inner = peaks[(peaks > 0) & (peaks < width - 1)]
a, b, c = profile[inner - 1], profile[inner], profile[inner + 1]
places = inner + 0.5 * (a - c) / (a - 2 * b + c)
index = np.round((places - places[0]) / rough)
pitch = np.polyfit(index, places, 1)[0]
print(f"script pipeline: pitch {pitch:.4f} px, {time.perf_counter() - start:.2f} s without decoding")
