"""Sizes, places and numbers of linux/gpio.h: asked of the compiler where there is one, else as recorded.

Recorded from linux-libc-dev 6.1.187 (Debian 12, x86_64) by the very program below.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

HEADER = Path("/usr/include/linux/gpio.h")

RECORDED = {
    "sizeof chip_info": 68,
    "chip_info.label": 32,
    "chip_info.lines": 64,
    "sizeof line_info": 256,
    "line_info.name": 0,
    "line_info.consumer": 32,
    "line_info.offset": 64,
    "line_info.num_attrs": 68,
    "line_info.flags": 72,
    "sizeof request": 592,
    "request.offsets": 0,
    "request.consumer": 256,
    "request.config.flags": 288,
    "request.config.num_attrs": 296,
    "request.config.attrs": 320,
    "request.num_lines": 560,
    "request.event_buffer_size": 564,
    "request.fd": 588,
    "sizeof config_attribute": 24,
    "config_attribute.attr.id": 0,
    "config_attribute.attr.values": 8,
    "config_attribute.mask": 16,
    "sizeof values": 16,
    "values.bits": 0,
    "values.mask": 8,
    "NAME_BYTES": 32,
    "LINES_MOST": 64,
    "ATTRIBUTES_MOST": 10,
    "ACTIVE_LOW": 2,
    "OUTPUT": 8,
    "PULL_UP": 256,
    "PULL_DOWN": 512,
    "VALUES_ATTRIBUTE": 2,
    "GET_CHIP_INFO": 2151986177,
    "GET_LINE_INFO": 3238048773,
    "GET_LINE": 3260068871,
    "GET_VALUES": 3222320142,
    "SET_VALUES": 3222320143,
}

_STRUCTS = {
    "chip_info": "gpiochip_info",
    "line_info": "gpio_v2_line_info",
    "request": "gpio_v2_line_request",
    "config_attribute": "gpio_v2_line_config_attribute",
    "values": "gpio_v2_line_values",
}
_NUMBERS = {
    "NAME_BYTES": "GPIO_MAX_NAME_SIZE",
    "LINES_MOST": "GPIO_V2_LINES_MAX",
    "ATTRIBUTES_MOST": "GPIO_V2_LINE_NUM_ATTRS_MAX",
    "ACTIVE_LOW": "GPIO_V2_LINE_FLAG_ACTIVE_LOW",
    "OUTPUT": "GPIO_V2_LINE_FLAG_OUTPUT",
    "PULL_UP": "GPIO_V2_LINE_FLAG_BIAS_PULL_UP",
    "PULL_DOWN": "GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN",
    "VALUES_ATTRIBUTE": "GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES",
    "GET_CHIP_INFO": "GPIO_GET_CHIPINFO_IOCTL",
    "GET_LINE_INFO": "GPIO_V2_GET_LINEINFO_IOCTL",
    "GET_LINE": "GPIO_V2_GET_LINE_IOCTL",
    "GET_VALUES": "GPIO_V2_LINE_GET_VALUES_IOCTL",
    "SET_VALUES": "GPIO_V2_LINE_SET_VALUES_IOCTL",
}


def header_numbers(directory: Path) -> dict[str, int]:
    """What the compiler says, or what it said when it was recorded where there is none."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None or not HEADER.exists():
        return RECORDED
    source, program = directory / "layout.c", directory / "layout"
    source.write_text(_program())
    subprocess.run([compiler, "-o", program, source], check=True, timeout=60)  # noqa: S603 - our own program
    out = subprocess.run([program], check=True, capture_output=True, text=True, timeout=10)  # noqa: S603 - compiled above
    return {name: int(number) for name, number in (line.split("\t") for line in out.stdout.splitlines())}


def _program() -> str:
    lines = []
    for name in RECORDED:
        kind, _, member = name.partition(".")
        if name.startswith("sizeof "):
            value = f"sizeof(struct {_STRUCTS[name.removeprefix('sizeof ')]})"
        elif member:
            value = f"offsetof(struct {_STRUCTS[kind]}, {member})"
        else:
            value = _NUMBERS[name]
        lines.append(f'    printf("{name}\\t%llu\\n", (unsigned long long)({value}));')
    head = "#include <stddef.h>\n#include <stdio.h>\n#include <sys/ioctl.h>\n#include <linux/gpio.h>\n"
    return head + "int main(void) {\n" + "\n".join(lines) + "\n    return 0;\n}\n"
