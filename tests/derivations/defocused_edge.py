"""Outside values for the defocused pupil, from numpy's FFT of a drawn pupil.

Writes ../data/defocused_otf.csv and ../data/edge_widths.csv. Nothing here is shared with the program: the point
spread is the squared FFT of a pupil drawn on a grid, the transfer function is the FFT of the point spread, the line spread its sum over one direction, the edge its running integral. Pixel and movement
are moving averages of the edge in space, not sincs.

Run: python3 defocused_edge.py   (numpy, scipy; versions are written into the files)
"""

import numpy as np
import scipy
from scipy.interpolate import CubicSpline

SIZE, RADIUS = 4096, 512.3  # grid of the pupil; PSF sampled at about 1/4 of lambda * N
UNIT = SIZE / (2 * RADIUS)  # samples per lambda * N


def pupil(waves):
    c = np.arange(SIZE) - SIZE // 2
    x, y = np.meshgrid(c, c)
    cover = (np.hypot(x, y) < RADIUS).astype(float)
    rho2 = (x * x + y * y) / RADIUS**2
    return cover * np.exp(2j * np.pi * waves * rho2)


def point_spread(waves):
    field = np.fft.fft2(np.fft.ifftshift(pupil(waves)))
    psf = np.abs(field) ** 2
    return np.fft.fftshift(psf / psf.sum())


def otf(psf, q):
    """Transfer function along x; frequency index k is q = k * UNIT / SIZE."""
    row = np.fft.fft(np.fft.ifftshift(psf.sum(axis=0))).real
    return CubicSpline(np.arange(SIZE // 2) * UNIT / SIZE, row[: SIZE // 2])(q)


def edge(psf):
    """Edge response as a spline, distances in lambda * N; the line spread refined 16 times first."""
    fine = scipy.signal.resample(psf.sum(axis=0), SIZE * 16)
    x = (np.arange(SIZE * 16) / 16 - SIZE // 2) / UNIT
    line = CubicSpline(x, fine * UNIT)
    return x, line.antiderivative()


def width(x, e, box_a, box_b, level):
    """Width between 1 - level and level after two moving averages."""
    low = e(x[0])
    f = lambda t: e(t) - low
    grid = np.linspace(-40, 40, 160001)
    v = f(grid)
    for box in (box_a, box_b):
        if box > 0:
            s = CubicSpline(grid, v).antiderivative()
            keep = (grid > grid[0] + box / 2 + 1e-9) & (grid < grid[-1] - box / 2 - 1e-9)
            v = (s(grid[keep] + box / 2) - s(grid[keep] - box / 2)) / box
            grid = grid[keep]
    v = v / (e(x[-1]) - low)
    return np.interp(level, v, grid) - np.interp(1 - level, v, grid)


if __name__ == "__main__":
    import scipy.signal

    note = f"# numpy {np.__version__}, scipy {scipy.__version__}; made by tests/derivations/defocused_edge.py\n"
    qs = [0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9]
    with open("../data/defocused_otf.csv", "w") as o, open("../data/edge_widths.csv", "w") as w:
        o.write(note + "# OTF of a circular pupil, q = f * lambda * N, waves of defocus at the rim\nwaves,q,otf\n")
        w.write(note)
        w.write("# widths of the edge response in lambda * N; pixel and motion are box lengths in the same unit\n")
        w.write("waves,pixel,motion,w10_90,w25_75,w40_60\n")
        for waves in [0.0, 0.25, 0.5, 1.0, 2.0, 4.0]:
            psf = point_spread(waves)
            for q in qs:
                o.write(f"{waves},{q},{otf(psf, q):.6f}\n")
            x, e = edge(psf)
            for box_a, box_b in [(0.0, 0.0), (0.5, 0.0), (1.5, 0.0), (0.7, 2.5)]:
                values = [width(x, e, box_a, box_b, level) for level in (0.9, 0.75, 0.6)]
                w.write(f"{waves},{box_a},{box_b}," + ",".join(f"{v:.5f}" for v in values) + "\n")
