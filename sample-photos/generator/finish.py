"""From linear render to a phone-like JPEG: white balance, tone, sharpening, noise, EXIF."""
import cv2
import numpy as np
import piexif

ORIENT = {1: None, 3: cv2.ROTATE_180, 6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE}


def develop(linear, seed, exposure=0.5, balance=(1, 1, 1), sharpen=0.5, noise=1.0, vignette=0.12, blur=None):
    """linear: float BGR. `exposure`: where the 95 % brightness lands (linear, 1 = clipping)."""
    rng = np.random.default_rng(seed)
    h, w = linear.shape[:2]
    peak = np.percentile(linear[::8, ::8].max(2), 95)
    picture = np.clip(linear, 0, None) * (exposure/peak) * np.array(balance[::-1], np.float32)
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((xx - w/2)**2 + (yy - h/2)**2) / ((w/2)**2 + (h/2)**2)
    picture *= (1 - vignette*r2)[..., None]
    del yy, xx, r2
    if blur:
        picture = _smear(picture, *blur)
    picture += rng.normal(0, 1, picture.shape).astype(np.float32) * np.sqrt(0.00004*picture + 0.0000006)*noise
    picture = np.where(picture > 0.75, 0.75 + 0.25*np.tanh((picture - 0.75)/0.25), picture)
    gamma = np.where(picture <= 0.0031308, 12.92*np.clip(picture, 0, None), 1.055*np.clip(picture, 0.0031308, None)**(1/2.4) - 0.055)
    gamma = gamma.astype(np.float32)
    soft = cv2.GaussianBlur(gamma, (0, 0), 1.1)
    gamma += sharpen*(gamma - soft)
    return np.clip(gamma*255 + 0.5, 0, 255).astype(np.uint8)


def _smear(picture, length, angle, sigma):
    n = int(length) | 1
    k = np.zeros((n, n), np.float32)
    a = np.radians(angle)
    c = n//2
    cv2.line(k, (round(c - c*np.cos(a)), round(c - c*np.sin(a))), (round(c + c*np.cos(a)), round(c + c*np.sin(a))), 1, 1)
    return cv2.GaussianBlur(cv2.filter2D(picture, -1, k/k.sum()), (0, 0), sigma)


def _encode(picture, quality, chroma):
    ok, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, chroma])
    return data.tobytes()


def jpeg(path, upright, orientation=1, f35=None, quality=92, full_chroma=False, limit_mb=5.6):
    turn = ORIENT[orientation]
    stored = upright if turn is None else cv2.rotate(upright, turn)
    chroma = 0x111111 if full_chroma else 0x221111
    data = _encode(stored, quality, chroma)
    while len(data) > limit_mb*1e6 and quality > 84:
        quality -= 1
        data = _encode(stored, quality, chroma)
    with open(path, "wb") as out:
        out.write(data)
    if f35:
        piexif.insert(_exif(stored, orientation, f35), path)
    return quality, len(data)


def _exif(stored, orientation, f35):
    h, w = stored.shape[:2]
    real = f35 * 7.1 / 43.2666
    return piexif.dump({
        "0th": {piexif.ImageIFD.Make: b"Clothline", piexif.ImageIFD.Model: b"Clothline sample camera",
                piexif.ImageIFD.Orientation: orientation, piexif.ImageIFD.XResolution: (72, 1),
                piexif.ImageIFD.YResolution: (72, 1), piexif.ImageIFD.ResolutionUnit: 2},
        "Exif": {piexif.ExifIFD.FocalLength: (int(round(real*100)), 100), piexif.ExifIFD.FocalLengthIn35mmFilm: int(round(f35)),
                 piexif.ExifIFD.PixelXDimension: w, piexif.ExifIFD.PixelYDimension: h,
                 piexif.ExifIFD.ExposureTime: (1, 60), piexif.ExifIFD.ISOSpeedRatings: 200}})
