"""Least standard deviation with which the 10-90 % width of an edge or line can be measured at all (Cramer-Rao).

Writes ../data/edge_width_bound.csv. The picture's pixels are independent samples with equal Gaussian noise at distances spread
evenly over the band that the program uses (2.5 widths and 2 px to either side of an edge, 2.5 widths and half the line for a line).
Unknown are position, size, both levels (for a line base, area and slope of the background), and the shape: the square of
the defocus in waves; for lines the width of the line, known beforehand to 2 %. The edge is the running integral of numpy's FFT of a
drawn pupil; pixels are averaged by sub-sampling.

Run: python3 edge_width_bound.py   (numpy)
"""

import numpy as np

SIZE, RADIUS, FINE, SUB = 1024, 128.3, 8, 9
ANGLE = 0.3  # between the edge's normal and the pixels' rows
_edges = {}


def edge(waves2, x):
    """Edge response at x in lambda * N, for the square of the waves of defocus at the rim of the pupil."""
    key = round(waves2, 8)
    if key not in _edges:
        c = np.arange(SIZE) - SIZE / 2
        u, v = np.meshgrid(c, c)
        rho2 = (u * u + v * v) / RADIUS**2
        pupil = np.where(rho2 < 1, np.exp(2j * np.pi * np.sqrt(waves2) * rho2), 0)
        line = np.fft.fftshift((np.abs(np.fft.fft2(pupil)) ** 2).sum(axis=0))
        spectrum = np.fft.fft(np.fft.ifftshift(line))
        padded = np.zeros(SIZE * FINE, complex)
        padded[: SIZE // 2] = spectrum[: SIZE // 2]
        padded[-(SIZE // 2 - 1) :] = spectrum[SIZE // 2 + 1 :]
        fine = np.fft.fftshift(np.fft.ifft(padded).real)
        total = np.cumsum(fine) - 0.5 * fine
        step = 2 * RADIUS / SIZE / FINE
        _edges[key] = ((np.arange(SIZE * FINE) - SIZE * FINE // 2) * step, total / fine.sum())
    return np.interp(x, *_edges[key], left=0, right=1)


def recorded(waves2, unit, x, angle):
    sub = (np.arange(SUB) + 0.5) / SUB - 0.5
    offsets = [a * np.cos(angle) + b * np.sin(angle) for a in sub for b in sub]
    return sum(edge(waves2, (x + o) / unit) for o in offsets) / len(offsets)


def width(waves2, unit, angle):
    m = 6 + 8 * unit * (1 + np.sqrt(waves2))
    x = np.linspace(-m, m, 6001)
    e = recorded(waves2, unit, x, angle)

    def crossing(level):
        k = np.argmax(e >= level)
        return x[k - 1] + (level - e[k - 1]) / (e[k] - e[k - 1]) * (x[k] - x[k - 1])

    return crossing(0.9) - crossing(0.1)


def unit_for(waves2, w, angle):
    unit = 0.5 * w
    for _ in range(8):
        unit *= w / width(waves2, unit, angle)
    return unit


def bound(model, p, steps, width_of, noise, x, prior=None):
    """Relative standard deviation of the width; p starts with the unit and the squared waves."""
    columns, slopes = [], np.zeros(len(p))
    for i, h in enumerate(steps):
        up, down = list(p), list(p)
        up[i] += h
        down[i] -= 0 if p[i] - h < 0 and i == 1 else h
        gap = up[i] - down[i]
        columns.append((model(x, up) - model(x, down)) / gap)
        if i < 2:
            slopes[i] = (width_of(up) - width_of(down)) / gap
    jacobian = np.array(columns).T
    fisher = jacobian.T @ jacobian / noise**2
    if prior is not None:
        fisher[prior[0], prior[0]] += 1 / prior[1] ** 2
    return np.sqrt(slopes @ np.linalg.inv(fisher) @ slopes) / width_of(p)


def spread(half, normals):
    n = int(normals * 2 * half)
    return (np.arange(n) + 0.5) / n * 2 * half - half


def edge_bound(waves, w, snr, normals):
    unit = unit_for(waves**2, w, ANGLE)
    model = lambda x, p: p[3] + p[4] * recorded(p[1], p[0], x - p[2], ANGLE)
    p, steps = [unit, waves**2, 0, 0, 1], [0.01 * unit, 0.02, 0.02, 1e-3, 1e-3]
    return bound(model, p, steps, lambda p: width(p[1], p[0], ANGLE), 1 / snr, spread(2.5 * w + 2, normals))


def line_bound(ratio, w, snr, normals):
    unit, b = unit_for(0, w, 0), ratio * w

    def model(x, p):
        left, right = x - p[2] + 0.5 * p[6], x - p[2] - 0.5 * p[6]
        return p[3] + p[5] * x + p[4] * (recorded(p[1], p[0], left, 0) - recorded(p[1], p[0], right, 0))

    p, steps = [unit, 0, 0, 0, 1, 0, b], [0.01 * unit, 0.02, 0.02, 1e-3, 1e-3, 1e-3, 0.01 * b]
    x = spread(2.5 * w + b, normals)
    return bound(model, p, steps, lambda p: width(p[1], p[0], 0), 1 / snr, x, (6, 0.02 * b))


if __name__ == "__main__":
    with open("../data/edge_width_bound.csv", "w") as out:
        out.write(f"# numpy {np.__version__}; made by tests/derivations/edge_width_bound.py\n")
        out.write("# least relative standard deviation of a measured 10-90 % width; noise is 1/snr of the step a pixel\n")
        out.write("figure,waves,line_over_w,w_px,snr,normals,bound_rel\n")
        for waves in [0.0, 0.4, 1.2]:
            for w in [2.0, 4.0, 8.0, 20.0]:
                out.write(f"edge,{waves},,{w},15,160,{edge_bound(waves, w, 15, 160):.5f}\n")
        for w in [3.0, 8.0]:
            for ratio in [0.2, 0.5, 1.0, 2.0]:
                out.write(f"line,0.0,{ratio},{w},50,16,{line_bound(ratio, w, 50, 16):.5f}\n")
