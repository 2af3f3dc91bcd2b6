#!/usr/bin/env python3
"""Figures of digitised discs and ellipses, and of a dented polygon, by scikit-image and OpenCV: outlines.py > ../data/outlines.csv

A cell belongs to a shape where its centre lies within it. Columns, all in cells: name, centre x and y and semi-axes and turn (deg), then
area (number of cells), perimeter of the shape by Ramanujan's second approximation (below 1e-6 for these), scikit-image's perimeter
(4-neighbourhood) and Crofton perimeter (4 directions), its greatest Feret diameter, its ellipse axes by moments, OpenCV's contour
area and contour length, and its least-area rectangle's sides. Rows of polygons give OpenCV's figures of the vertices themselves.
"""
import cv2, numpy as np, skimage
from skimage.measure import label, regionprops

print(f"# scikit-image {skimage.__version__}, OpenCV {cv2.__version__}, NumPy {np.__version__}; made by tests/derivations/outlines.py")
print("name,cx,cy,a,b,turn_deg,cells,perimeter,sk_perimeter,sk_crofton,sk_feret_max,sk_major,sk_minor,cv_area,cv_length,cv_rect_long,cv_rect_short")
cases = [("disc", 15.3, 15.7, 6.98, 6.98, 0), ("disc", 30.1, 29.6, 20.4, 20.4, 0), ("disc", 80.2, 80.9, 61.7, 61.7, 0),
         ("ellipse", 60.4, 60.3, 50.0, 20.0, 0), ("ellipse", 60.4, 60.3, 50.0, 20.0, 31), ("ellipse", 60.2, 60.8, 48.0, 12.0, 67), ("ellipse", 60.2, 60.8, 30.0, 25.0, 12)]
for name, cx, cy, a, b, turn in cases:
    n = int(2 * max(cx, cy)) + 2
    y, x = np.mgrid[0:n, 0:n] + 0.5
    t = np.radians(turn)
    u, v = (x - cx) * np.cos(t) + (y - cy) * np.sin(t), -(x - cx) * np.sin(t) + (y - cy) * np.cos(t)
    mask = (u / a) ** 2 + (v / b) ** 2 < 1
    h = ((a - b) / (a + b)) ** 2
    perimeter = np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    p = regionprops(label(mask.astype(np.uint8)))[0]
    contour = max(cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    rect = sorted(cv2.minAreaRect(contour)[1], reverse=True)
    print(f"{name},{cx},{cy},{a},{b},{turn},{mask.sum()},{perimeter:.5f},{p.perimeter:.5f},{p.perimeter_crofton:.5f},{p.feret_diameter_max:.5f},"
          f"{p.axis_major_length:.5f},{p.axis_minor_length:.5f},{cv2.contourArea(contour):.3f},{cv2.arcLength(contour, True):.5f},{rect[0]:.4f},{rect[1]:.4f}")
for name, points in [("polygon", [(2, 1), (40, 4), (55, 22), (31, 18), (44, 41), (9, 37), (15, 20)]),
                     ("polygon", [(0, 0), (30, 2), (61, 11), (80, 30), (58, 24), (33, 16), (4, 12)])]:
    contour = np.array(points, np.float32).reshape(-1, 1, 2)
    m = cv2.moments(contour)
    xx, yy, xy = (m[k] / m["m00"] for k in ("mu20", "mu02", "mu11"))
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    hull = cv2.convexHull(contour).reshape(-1, 2)
    feret = max(np.hypot(*(p - q)) for p in hull for q in hull)
    text = " ".join(f"{x}:{y}" for x, y in points)
    print(f"{name},{text},,,,,,,,,{feret:.5f},{4 * np.sqrt(mean + half):.5f},{4 * np.sqrt(mean - half):.5f},{cv2.contourArea(contour):.3f},{cv2.arcLength(contour, True):.5f},,")
