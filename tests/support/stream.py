"""A wireless microscope on this machine: frames as MJPEG over HTTP (multipart/x-mixed-replace), with its faults."""

from __future__ import annotations

import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import cv2
import numpy as np


class Microscope:
    """Sends ``frames(n)``, the n-th frame as RGB pixels or as a JPEG; None ends the connection, "stall" hangs."""

    def __init__(self, frames, fps=30.0):
        self.frames, self.fps = frames, fps
        self.sent = self.connections = 0
        self.closing = threading.Event()
        camera = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self):
                camera.connections += 1
                self.send_response(200)
                self.send_header("Content-Type", "multipart/x-mixed-replace; boundary=frame")
                self.end_headers()
                camera.send(self.wfile)

            def log_message(self, *_):
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()

    @property
    def address(self):
        return f"http://127.0.0.1:{self.server.server_address[1]}/stream.mjpg"

    def send(self, to):
        while not self.closing.is_set():
            frame = self.frames(self.sent)
            self.sent += 1
            if frame is None:
                return
            if isinstance(frame, str):
                self.closing.wait(10.0)
                return
            content = frame if isinstance(frame, bytes) else jpeg(frame)
            head = f"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: {len(content)}\r\n\r\n"
            try:
                to.write(head.encode() + content + b"\r\n")
                to.flush()
            except OSError:
                return
            time.sleep(1.0 / self.fps)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.closing.set()
        self.server.shutdown()
        self.server.server_close()


def jpeg(pixels):
    return cv2.imencode(".jpg", np.ascontiguousarray(pixels[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 95])[
        1
    ].tobytes()
