"""OpenCV's times for the like steps on the same photo: usage opencv_steps.py PHOTO."""

import statistics
import sys
import time

import cv2
import numpy as np

RUNS = 7


def median_ms(step):
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        step()
        times.append(time.perf_counter() - start)
    return 1000 * statistics.median(times)


def ridge(grey, d=3):
    """Both polarities of min(I(x) - I(x-d), I(x) - I(x+d)), along x and y."""
    best = None
    for axis in (0, 1):
        before, after = np.roll(grey, d, axis), np.roll(grey, -d, axis)
        light = cv2.min(cv2.subtract(grey, before), cv2.subtract(grey, after))
        dark = cv2.min(cv2.subtract(before, grey), cv2.subtract(after, grey))
        both = cv2.max(light, dark)
        best = both if best is None else cv2.max(best, both)
    return best


def main():
    data = np.fromfile(sys.argv[1], np.uint8)
    photo = cv2.imdecode(data, cv2.IMREAD_COLOR)
    grey = cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY)
    height, width = grey.shape
    plane = np.array([[1, 0.02, 5], [0.01, 1, 5], [1e-6, 2e-6, 1]])
    half = (width // 2, height // 2)
    rng = np.random.default_rng(1)
    mat = rng.uniform(0, 900, (4000, 1, 2)).astype(np.float32)
    seen = cv2.perspectiveTransform(mat, plane) + rng.normal(0, 0.05, mat.shape).astype(np.float32)
    steps = {
        "decode JPEG": lambda: cv2.imdecode(data, cv2.IMREAD_COLOR),
        "grey": lambda: cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY),
        "ridge response, full size": lambda: ridge(grey),
        "findHomography, 4000 points": lambda: cv2.findHomography(mat, seen, cv2.RANSAC, 1.0),
        "warpPerspective to a quarter": lambda: cv2.warpPerspective(photo, plane, half),
        "GaussianBlur sigma 2": lambda: cv2.GaussianBlur(grey, (0, 0), 2),
        "Canny, full size": lambda: cv2.Canny(grey, 60, 120),
    }
    print(f"OpenCV {cv2.__version__}, {cv2.getNumThreads()} threads, medians of {RUNS}")
    times = {name: median_ms(step) for name, step in steps.items()}
    for name, ms in times.items():
        print(f"{name:28} {ms:8.1f} {ms / times['decode JPEG']:14.2f}")


main()
