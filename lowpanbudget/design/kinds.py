"""A field of each kind as it is written in a design file, for those who write one for the first time.

Each is the text of one ``[[message.field]]``; what a field refers to must stand before it in the message.
"""

WRITTEN: dict[str, str] = {
    "number": """\
kind = "number"
name = "temperature"
min = -40
max = 85
step = 0.01
unit = "Cel"
special = ["not_available"]   # or with codes of your own: { not_available = 16383 }
tolerance = 0.05              # lets `weigh` look for coarser steps""",
    "logarithmic": """\
kind = "logarithmic"
name = "vibration"
min = 0.001
max = 20
steps = 254
unit = "m/s2\"""",
    "table": """\
kind = "table"
name = "rate"
values = [1, 10, 50, 100]
unit = "Hz\"""",
    "float": """\
kind = "float"
name = "energy"
bits = 32
unit = "J\"""",
    "boolean": """\
kind = "boolean"
name = "open\"""",
    "enumeration": """\
kind = "enumeration"
name = "mode"
names = ["normal", "storm", "service"]   # or { normal = 0, storm = 1, service = 7 }
bits = 3                                 # room for more names later""",
    "flags": """\
kind = "flags"
name = "status"
names = ["clock_set", "mains", "tamper"]
bits = 8""",
    "constant": """\
kind = "constant"
name = "magic"
value = 0xb5
bits = 8""",
    "version": """\
kind = "version"
name = "version"
value = 1""",
    "reserved": """\
kind = "reserved"
bits = 3""",
    "sequence": """\
kind = "sequence"
name = "sequence"
bits = 8""",
    "time": """\
kind = "time"
name = "time"
bits = 32
step = 1""",
    "time-offset": """\
kind = "time-offset"
name = "sampled"
base = "time"                 # a field of kind time before it
max = 3600""",
    "octets": """\
kind = "octets"
name = "token"
length = 4                    # or min_length and max_length: then the length goes in front""",
    "text": """\
kind = "text"
name = "room"
max_length = 24
encoding = "utf-8\"""",
    "array": """\
kind = "array"
name = "reading"
max_length = 32               # or length: a fixed number, no count
batch = true                  # `fit` tells how many go into one frame

[message.field.element]
kind = "number"
min = 0
max = 100
unit = "%RH\"""",
    "series": """\
kind = "series"
name = "strain"
min = -3000
max = 3000
max_length = 64
deltas = "fixed"              # or "variable": zigzag in groups of group_bits
delta_bits = 5
escape = true                 # a whole sample where a difference is too large""",
    "group": """\
kind = "group"
name = "position"
optional = true

[[message.field.field]]
kind = "number"
name = "metres"
min = 0
max = 400
unit = "m\"""",
    "union": """\
kind = "union"
name = "detail"
tag = "mode"                  # a field of kind enumeration before it

[[message.field.option]]
when = "normal"               # an option may have no fields

[[message.field.option]]
when = "storm"

[[message.field.option.field]]
kind = "number"
name = "wind"
min = 0
max = 60
unit = "m/s"

[[message.field.option]]
when = "service\"""",
}
