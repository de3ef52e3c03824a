"""Drawing on one graphics chip without a screen: EGL 1.5 and OpenGL ES 2.0, through ctypes.

A chip is found by its file in /dev/dri (EGL_EXT_device_enumeration, EGL_EXT_device_drm and
EGL_EXT_device_drm_render_node of the Khronos registry), and nothing else is opened. What an open driver
cannot drive is `NoDrawing`, in words; a driver that draws with the processor instead says so by
`Canvas.by_processor` (EGL_MESA_device_software, or by its name).

Version 2.0 of OpenGL ES, since it is what chips of the last fifteen years have in common.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from ctypes import byref, c_char_p, c_float, c_int, c_uint, c_void_p
from dataclasses import dataclass
from typing import Any, Final

SOFTWARE: Final = "software"
"""In the place of a chip's file: draw with the processor, for tests."""

_BY_PROCESSOR: Final = ("llvmpipe", "softpipe", "swrast", "swr ")
"""What such drivers call themselves (Mesa, GL_RENDERER)."""

# EGL/egl.h, EGL/eglext.h
_EXTENSIONS, _OPENGL_ES_API, _NONE = 0x3055, 0x30A0, 0x3038
_SURFACE_TYPE, _PBUFFER, _RENDERABLE, _ES2 = 0x3033, 0x0001, 0x3040, 0x0004
_WIDTH, _HEIGHT, _VERSION = 0x3057, 0x3056, 0x3098
_PLATFORM_DEVICE, _DEVICE_FILE, _RENDER_FILE = 0x313F, 0x3233, 0x3377
_MOST_DEVICES: Final = 32

# GLES2/gl2.h
_VENDOR, _RENDERER, _GL_VERSION = 0x1F00, 0x1F01, 0x1F02
_FRAGMENT, _VERTEX, _COMPILED, _LINKED = 0x8B30, 0x8B31, 0x8B81, 0x8B82
_TEXTURE, _RGBA, _BYTE, _FLOAT = 0x0DE1, 0x1908, 0x1401, 0x1406
_MIN_FILTER, _NEAREST, _FRAMEBUFFER, _COLOUR, _COMPLETE = 0x2801, 0x2600, 0x8D40, 0x8CE0, 0x8CD5
_STRIP, _NO_ERROR = 0x0005, 0

_EGL: Final[dict[str, tuple[Any, tuple[Any, ...]]]] = {
    "eglQueryString": (c_char_p, (c_void_p, c_int)),
    "eglGetProcAddress": (c_void_p, (c_char_p,)),
    "eglGetPlatformDisplay": (c_void_p, (c_uint, c_void_p, c_void_p)),
    "eglInitialize": (c_uint, (c_void_p, c_void_p, c_void_p)),
    "eglTerminate": (c_uint, (c_void_p,)),
    "eglBindAPI": (c_uint, (c_uint,)),
    "eglChooseConfig": (c_uint, (c_void_p, c_void_p, c_void_p, c_int, c_void_p)),
    "eglCreateContext": (c_void_p, (c_void_p, c_void_p, c_void_p, c_void_p)),
    "eglCreatePbufferSurface": (c_void_p, (c_void_p, c_void_p, c_void_p)),
    "eglMakeCurrent": (c_uint, (c_void_p, c_void_p, c_void_p, c_void_p)),
}
_OF_DEVICES: Final[dict[str, tuple[Any, tuple[Any, ...]]]] = {
    "eglQueryDevicesEXT": (c_uint, (c_int, c_void_p, c_void_p)),
    "eglQueryDeviceStringEXT": (c_char_p, (c_void_p, c_int)),
}
_GL: Final[dict[str, tuple[Any, tuple[Any, ...]]]] = {
    "glGetString": (c_char_p, (c_uint,)),
    "glGetError": (c_uint, ()),
    "glCreateShader": (c_uint, (c_uint,)),
    "glShaderSource": (None, (c_uint, c_int, c_void_p, c_void_p)),
    "glCompileShader": (None, (c_uint,)),
    "glGetShaderiv": (None, (c_uint, c_uint, c_void_p)),
    "glCreateProgram": (c_uint, ()),
    "glAttachShader": (None, (c_uint, c_uint)),
    "glBindAttribLocation": (None, (c_uint, c_uint, c_char_p)),
    "glLinkProgram": (None, (c_uint,)),
    "glGetProgramiv": (None, (c_uint, c_uint, c_void_p)),
    "glUseProgram": (None, (c_uint,)),
    "glGetUniformLocation": (c_int, (c_uint, c_char_p)),
    "glUniform1f": (None, (c_int, c_float)),
    "glGenTextures": (None, (c_int, c_void_p)),
    "glBindTexture": (None, (c_uint, c_uint)),
    "glTexParameteri": (None, (c_uint, c_uint, c_int)),
    "glTexImage2D": (None, (c_uint, c_int, c_int, c_int, c_int, c_int, c_uint, c_uint, c_void_p)),
    "glGenFramebuffers": (None, (c_int, c_void_p)),
    "glBindFramebuffer": (None, (c_uint, c_uint)),
    "glFramebufferTexture2D": (None, (c_uint, c_uint, c_uint, c_uint, c_int)),
    "glCheckFramebufferStatus": (c_uint, (c_uint,)),
    "glViewport": (None, (c_int, c_int, c_int, c_int)),
    "glVertexAttribPointer": (None, (c_uint, c_int, c_uint, c_uint, c_int, c_void_p)),
    "glEnableVertexAttribArray": (None, (c_uint,)),
    "glDrawArrays": (None, (c_uint, c_int, c_int)),
    "glFinish": (None, ()),
    "glReadPixels": (None, (c_int, c_int, c_int, c_int, c_uint, c_uint, c_void_p)),
}
"""Result and arguments of every function used, as in the headers."""


class NoDrawing(Exception):
    """Nothing can be drawn there; the text says why."""


@dataclass(frozen=True, slots=True)
class Canvas:
    """A square of `side` pixels in the chip's memory, and the one program that fills it.

    `driver` is what the driver calls the chip and itself.
    """

    gl: ctypes.CDLL
    side: int
    driver: str
    by_processor: bool
    uniform: int

    def draw(self, value: float, times: int = 1) -> None:
        """Fill it `times` over, the program's number set to `value`; returns before it is done."""
        self.gl.glUniform1f(self.uniform, value)
        for _ in range(times):
            self.gl.glDrawArrays(_STRIP, 0, 4)

    def finish(self) -> None:
        """Wait until everything is drawn. NoDrawing where the driver has given up on the chip."""
        self.gl.glFinish()
        if (error := self.gl.glGetError()) != _NO_ERROR:
            raise NoDrawing(f"the driver reports error {error:#x}")

    def pixels(self) -> bytes:
        """Red, green, blue, alpha of each pixel, row by row from the bottom."""
        data = ctypes.create_string_buffer(self.side * self.side * 4)
        self.gl.glReadPixels(0, 0, self.side, self.side, _RGBA, _BYTE, data)
        return data.raw


@contextmanager
def canvas(file: str, side: int, program: str, number: str) -> Iterator[Canvas]:
    """A canvas of the chip with `file` (a path in /dev/dri, or SOFTWARE), filled by the fragment shader
    `program`, which knows a number by the name `number`. NoDrawing where there can be none."""
    egl = _library("libEGL.so.1", _EGL)
    gl = _library("libGLESv2.so.2", _GL)
    device, software = _device(egl, file)
    display = egl.eglGetPlatformDisplay(_PLATFORM_DEVICE, device, None)
    if not display or not egl.eglInitialize(display, None, None):
        raise NoDrawing("no open driver of this stick drives the chip")
    try:
        _make_current(egl, display)
        driver = " ".join(_said(gl, name) for name in (_RENDERER, _VENDOR, _GL_VERSION))
        by_processor = software or any(name in driver.casefold() for name in _BY_PROCESSOR)
        uniform = _program(gl, program, number)
        _target(gl, side)
        corners = (c_float * 8)(-1, -1, 1, -1, -1, 1, 1, 1)
        gl.glVertexAttribPointer(0, 2, _FLOAT, 0, 0, corners)
        gl.glEnableVertexAttribArray(0)
        yield Canvas(gl, side, driver, by_processor, uniform)
        del corners  # drawn from until here
    finally:
        egl.eglMakeCurrent(display, None, None, None)
        egl.eglTerminate(display)


def _library(name: str, functions: dict[str, tuple[Any, tuple[Any, ...]]]) -> ctypes.CDLL:
    try:
        library = ctypes.CDLL(name)
        for function, (result, arguments) in functions.items():
            getattr(library, function).restype = result
            getattr(library, function).argtypes = arguments
    except (OSError, AttributeError) as error:
        raise NoDrawing(f"the library {name} is not on this system, or too old") from error
    return library


def _device(egl: ctypes.CDLL, file: str) -> tuple[int, bool]:
    """The EGL device of `file`, and whether it is the processor."""
    known = egl.eglQueryString(None, _EXTENSIONS) or b""
    if b"EGL_EXT_device_enumeration" not in known or b"EGL_EXT_platform_device" not in known:
        raise NoDrawing("the EGL library cannot list chips")
    query, string = (_extension(egl, name) for name in _OF_DEVICES)
    found, count = (c_void_p * _MOST_DEVICES)(), c_int()
    query(_MOST_DEVICES, found, byref(count))
    for device in filter(None, found[: count.value]):
        extensions = (string(device, _EXTENSIONS) or b"").decode().split()
        software = "EGL_MESA_device_software" in extensions
        if software if file == SOFTWARE else file in _files(string, device, extensions):
            return device, software
    raise NoDrawing(f"no open driver of this stick draws by {file}")


def _extension(egl: ctypes.CDLL, name: str) -> Any:
    result, arguments = _OF_DEVICES[name]
    address = egl.eglGetProcAddress(name.encode())
    if not address:
        raise NoDrawing("the EGL library cannot list chips")
    return ctypes.CFUNCTYPE(result, *arguments)(address)


def _files(string: Any, device: int, extensions: Sequence[str]) -> Iterator[str]:
    for extension, name in (
        ("EGL_EXT_device_drm", _DEVICE_FILE),
        ("EGL_EXT_device_drm_render_node", _RENDER_FILE),
    ):
        said = string(device, name) if extension in extensions else None
        if said:
            yield said.decode()


def _make_current(egl: ctypes.CDLL, display: int) -> None:
    egl.eglBindAPI(_OPENGL_ES_API)
    wanted = (c_int * 5)(_SURFACE_TYPE, _PBUFFER, _RENDERABLE, _ES2, _NONE)
    config, count = c_void_p(), c_int()
    if not egl.eglChooseConfig(display, wanted, byref(config), 1, byref(count)) or not count.value:
        raise NoDrawing("the driver knows no OpenGL ES 2.0")
    context = egl.eglCreateContext(display, config, None, (c_int * 3)(_VERSION, 2, _NONE))
    surface = egl.eglCreatePbufferSurface(display, config, (c_int * 5)(_WIDTH, 1, _HEIGHT, 1, _NONE))
    if not context or not surface or not egl.eglMakeCurrent(display, surface, surface, context):
        raise NoDrawing("the driver gives no OpenGL ES 2.0")


def _said(gl: ctypes.CDLL, name: int) -> str:
    return (gl.glGetString(name) or b"").decode(errors="replace").strip()


_CORNERS: Final = "attribute vec2 corner; void main() { gl_Position = vec4(corner, 0.0, 1.0); }"


def _program(gl: ctypes.CDLL, fragment: str, number: str) -> int:
    """Compile and use it; gives where its number is set."""
    program = gl.glCreateProgram()
    for kind, source in ((_VERTEX, _CORNERS), (_FRAGMENT, fragment)):
        shader, done = gl.glCreateShader(kind), c_int()
        gl.glShaderSource(shader, 1, byref(c_char_p(source.encode())), None)
        gl.glCompileShader(shader)
        gl.glGetShaderiv(shader, _COMPILED, byref(done))
        if not done.value:
            raise NoDrawing("the driver does not take the program for this chip")
        gl.glAttachShader(program, shader)
    gl.glBindAttribLocation(program, 0, b"corner")
    gl.glLinkProgram(program)
    linked = c_int()
    gl.glGetProgramiv(program, _LINKED, byref(linked))
    if not linked.value:
        raise NoDrawing("the driver does not take the program for this chip")
    gl.glUseProgram(program)
    return int(gl.glGetUniformLocation(program, number.encode()))


def _target(gl: ctypes.CDLL, side: int) -> None:
    texture, frame = c_uint(), c_uint()
    gl.glGenTextures(1, byref(texture))
    gl.glBindTexture(_TEXTURE, texture)
    gl.glTexParameteri(_TEXTURE, _MIN_FILTER, _NEAREST)
    gl.glTexImage2D(_TEXTURE, 0, _RGBA, side, side, 0, _RGBA, _BYTE, None)
    gl.glGenFramebuffers(1, byref(frame))
    gl.glBindFramebuffer(_FRAMEBUFFER, frame)
    gl.glFramebufferTexture2D(_FRAMEBUFFER, _COLOUR, _TEXTURE, texture, 0)
    if gl.glCheckFramebufferStatus(_FRAMEBUFFER) != _COMPLETE:
        raise NoDrawing("the chip has no memory to draw into")
    gl.glViewport(0, 0, side, side)
