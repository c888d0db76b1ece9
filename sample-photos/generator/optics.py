"""Pinhole camera with Brown-Conrady radial terms. Mat frame: mm, z up. Camera: x right, y down, z forward."""
from dataclasses import dataclass

import cv2
import numpy as np

DIAGONAL_35MM = 43.2666


@dataclass
class Camera:
    K: np.ndarray
    R: np.ndarray
    t: np.ndarray
    k1: float
    k2: float
    width: int
    height: int

    @property
    def centre(self):
        return -self.R.T @ self.t

    def project(self, points):
        p = np.asarray(points, float)
        if p.shape[1] == 2:
            p = np.c_[p, np.zeros(len(p))]
        uv, _ = cv2.projectPoints(p, cv2.Rodrigues(self.R)[0], self.t, self.K, np.array([self.k1, self.k2, 0, 0]))
        return uv[:, 0]


def _about(axis, degrees):
    axis = np.array(axis, float) / np.linalg.norm(axis)
    return cv2.Rodrigues(axis * np.radians(degrees))[0]


def focal_px(f35, width, height):
    return f35 * np.hypot(width, height) / DIAGONAL_35MM


def make(width, height, f35, height_mm, tilt, tilt_towards=0.0, roll=0.0, look_at=(0, 0), k1=0.0, k2=0.0,
         off_centre=(0.0, 0.0), focal_off=0.0):
    """`tilt_towards`: picture direction (deg, 0 = the photographer leans back, seeing the far side) of the tilt."""
    f = focal_px(f35, width, height) * (1 + focal_off)
    K = np.array([[f, 0, (width-1)/2 + off_centre[0]], [0, f, (height-1)/2 + off_centre[1]], [0, 0, 1]])
    a = np.radians(tilt_towards)
    R = _about((0, 0, 1), roll) @ _about((-np.cos(a), np.sin(a), 0), tilt) @ np.diag([1.0, -1.0, -1.0])
    axis = R.T @ [0, 0, 1.0]
    centre = np.array([look_at[0], look_at[1], 0.0]) - axis * (height_mm / -axis[2])
    return Camera(K, R, -R @ centre, k1, k2, width, height)


def scaled(camera, s):
    """The same camera with a picture `s` times as large."""
    w, h = round(camera.width*s), round(camera.height*s)
    K = camera.K.copy()
    K[:2, :2] *= s
    K[:2, 2] = (K[:2, 2] + 0.5)*s - 0.5
    return Camera(K, camera.R, camera.t, camera.k1, camera.k2, w, h)


def undistorted(camera):
    """Normalised ideal coordinates of every pixel (Newton's method on the radial polynomial)."""
    x = (np.arange(camera.width, dtype=np.float64) - camera.K[0, 2]) / camera.K[0, 0]
    y = (np.arange(camera.height, dtype=np.float64) - camera.K[1, 2]) / camera.K[1, 1]
    rd = np.sqrt(x[None, :]**2 + y[:, None]**2)
    r = rd.copy()
    for _ in range(6):
        r2 = r*r
        r -= (r*(1 + camera.k1*r2 + camera.k2*r2*r2) - rd) / (1 + 3*camera.k1*r2 + 5*camera.k2*r2*r2)
    ratio = np.where(rd > 1e-12, r / np.maximum(rd, 1e-12), 1.0)
    return x[None, :]*ratio, y[:, None]*ratio


def pinhole_size(camera):
    """Size of the ideal centred picture (same focal length) that covers the distorted one."""
    if camera.k1 == 0 and camera.k2 == 0 and abs(camera.K[0, 2] - (camera.width-1)/2) < 1e-9 \
            and abs(camera.K[1, 2] - (camera.height-1)/2) < 1e-9:
        return camera.width, camera.height
    x, y = undistorted(camera)
    f = camera.K[0, 0]
    w, h = (2*int(np.ceil(np.abs(v).max()*f + 6)) for v in (x, y))
    return w, h


def bend(picture, camera):
    """Pinhole picture -> the camera's own picture."""
    h, w = picture.shape[:2]
    if (w, h) == (camera.width, camera.height) and camera.k1 == 0 and camera.k2 == 0:
        return picture
    x, y = undistorted(camera)
    f = camera.K[0, 0]
    return cv2.remap(picture, (x*f + (w-1)/2).astype(np.float32), (y*f + (h-1)/2).astype(np.float32),
                     cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
