"""The commented plan that a new project starts from."""

from __future__ import annotations

_TEMPLATE = """\
# A plan to start from. Project, people, products, batches and figures are invented: put in your own.
#
# This file yields to the contract, to local law and codes, and to the instructions of the products that you use.
# Values marked 'common practice' are what the trade usually does; they have no other source. Values marked 'invented'
# stand only to show the form: replace each of them.
#
# Cautions: Traffic kills - work only inside the closure, with a spotter. Saws, drills and grinders maim - guards on,
# eyes, ears, hands and feet protected. Sawing and grinding free silica dust - wet with the water running, or with
# extraction and respirators. Grouts and cleaners are chemicals - read their safety data sheets first.
#
# Every measure has its unit: 76 mm, 3 1/8 in, 0.5 deg, 54 degF, 20 lb, 1.5 h. SI and US customary may be mixed.
# `kerfline plan check FILE` says everything that is wrong; `kerfline plan schema` gives editors completion.

project: Example Hill trial # invented
version: "1" # give every change a new one: each verdict names the version it was made under

units: both # si, us or both: in which units values are shown
time_zone: UTC # IANA name of the site's time zone

# Roles: crew brings evidence, inspector decides on it, manager waives and plans, auditor reads. Nobody decides on
# evidence of their own, so a plan with hold points needs a crew and an inspector who is somebody else.
contacts:
  - {id: crew-1, name: Name of the crew lead, roles: [crew]}
  - {id: inspector-1, name: Name of the inspector, roles: [inspector]}
  - {id: manager-1, name: Name of the manager, roles: [manager]}

sites:
  - id: example-hill
    name: Example Hill
    lanes:
      - id: "1"
        sensors:
          - id: A
            # invented; take them from the sensor's drawing and from the contract
            width: 2 in
            length: 69 in
            depth: 2 in
            slot_width: 2 3/4 in
            slot_depth: 2 1/2 in
            marking_offset: 12 in

# Times are local; a closure over midnight ends on the next day.
closures:
  - {start: 2030-01-15 20:00, end: 2030-01-16 05:00, lane: example-hill/1}

# Limits by quantity: `lower` and `upper` (one may be left out), or `nominal` with `plus` and `minus`.
tolerances:
  squareness: {nominal: 90 deg, plus: 0.5 deg, minus: 0.5 deg, clause: invented}
  layout_angle: {nominal: 90 deg, plus: 0.5 deg, minus: 0.5 deg, clause: invented}
  # common practice: about 18 in from the pavement's edge, so that the edge does not crack; the width is invented
  hole_edge_distance: {nominal: 18 in, plus: 2 in, minus: 2 in, clause: common practice}
  hole_diameter: {nominal: 1 1/2 in, plus: 1/4 in, minus: 1/4 in, clause: common practice}
  # common practice: some 1 in straight down, then at 45 deg or less to the conduit's trench
  drill_angle: {upper: 45 deg, clause: common practice}
  conduit_cover: {lower: 4 in, clause: common practice}
  cut_angle: {nominal: 90 deg, plus: 0.5 deg, minus: 0.5 deg, clause: invented}
  slot_width: {nominal: 2 3/4 in, plus: 1/8 in, minus: 1/16 in, clause: invented}
  slot_depth_min: {lower: 2 7/16 in, clause: invented}
  # common practice: the cut runs past both ends of the sensor, so that full depth reaches them
  overcut_start: {lower: 1/2 in, clause: common practice}
  overcut_end: {lower: 1/2 in, clause: common practice}
  dew_point_margin: {lower: 5 degF, clause: invented}
  insulation_resistance: {lower: 500 Mohm, clause: invented}
  pot_life_left: {lower: 0 min, clause: product sheet}
  cure_margin: {lower: 0 min, clause: product sheet}
  ridge_width: {upper: 1/4 in, clause: invented}
  # common practice: ground until flush, evenly along the whole length; the figures are invented
  proud_height: {upper: 1/32 in, clause: invented}
  low_height: {upper: 1/16 in, clause: invented}
  straightedge_gap: {upper: 1/8 in, clause: invented}

# guarded: conforming or nonconforming only where proven, by a guard band of so many U on both sides of each limit.
# Others: `decision_rule: simple`, or {rule: risk-limited, consumer_risk: 5 %}.
decision_rule: {rule: guarded, guard_band: 1 U}

# Each with its resolution, the standard uncertainty `u` (k = 1) of its calibration, and the days that it holds.
# All figures are invented: take yours from the certificates.
instruments:
  - id: tape-1
    kind: tape
    resolution: 1/32 in
    u: 0.2 mm
    per_metre: 0.05 mm/m # what grows with the length
    calibrated: 2029-06-01
    valid_until: 2030-05-31
  - {id: depth-1, kind: depth-gauge, resolution: 0.1 mm, u: 0.1 mm, calibrated: 2029-06-01, valid_until: 2030-05-31}
  - {id: edge-1, kind: straightedge, resolution: 0.1 mm, u: 0.1 mm, calibrated: 2029-06-01, valid_until: 2030-05-31}
  - {id: angle-1, kind: protractor, resolution: 1 deg, u: 0.5 deg, calibrated: 2029-06-01, valid_until: 2030-05-31}
  - {id: thermo-1, kind: thermometer, resolution: 0.1 degF, u: 0.5 degF, calibrated: 2029-06-01}
  - {id: humid-1, kind: hygrometer, resolution: 1 %, u: 1.5 %, calibrated: 2029-06-01}
  - {id: scale-1, kind: balance, resolution: 5 g, u: 5 g, calibrated: 2029-06-01}
  - id: insulation-1
    kind: insulation-tester
    resolution: 1 Mohm
    u: 0 Mohm
    relative: 3 % # of the reading
    calibrated: 2029-06-01
  - {id: watch-1, kind: clock, resolution: 1 s, u: 1 s}

# Everything here comes from the product's own sheet and label; these are invented.
materials:
  - id: grout-1
    kind: grout
    product: Name of the grout
    batch: Batch on the label
    expires: 2030-12-31
    mass: 25 lb
    density: 14.5 lb/gal
    waste: 25 %
    parts: [{name: base, share: 100}, {name: hardener, share: 8}]
    mix_basis: mass
    ratio_tolerance: 5 %
    mixing_time: {lower: 2 min, upper: 4 min}
    pot_life: [{at: 40 degF, time: 40 min}, {at: 60 degF, time: 25 min}, {at: 80 degF, time: 15 min}]
    # longer when it is cool
    cure: [{at: 40 degF, time: 4 h}, {at: 60 degF, time: 2 h}, {at: 80 degF, time: 75 min}]
    cure_floor: 1 h # common practice: never ground before this
  - {id: cleaner-1, kind: cleaner, product: Name of the cleaner}

tools:
  - Chalk line and marking paint
  - Saw, blade and water
  - Grinder with extraction
  - Reference bars

# What each stage must show, in the order of the work. `hold_point: yes` holds the stages after it until it is released.
# Stages may be added or dropped; a plan without `stages` has the usual ones with nothing required.
stages:
  - id: before-closure
    checks:
      - id: briefing
        text: Was the crew briefed on traffic, dust, blades and chemicals?
        caution: Traffic kills. Nobody steps over the closure's edge.
      - id: protective-equipment
        text: Has everybody high-visibility clothing, eye, ear, hand and foot protection and a respirator?
      - {id: spotter, text: "Is a spotter named who watches traffic and does nothing else?"}

  - id: layout
    hold_point: yes
    photos:
      - {id: layout-photo, kind: layout, text: "The painted line, the marking's edge and a bar"}
    readings:
      # common practice: triangles of 3-4-5, 6-8-10 and 9-12-15 ft from one corner mark on the marking's inner edge
      - {kind: tape-triangle, count: 3, instruments: [tape-1]}
      - {kind: marking-offset, instruments: [tape-1]}
    checks:
      - {id: old-marks-obliterated, text: "Are all stale layout marks painted over?"}

  - id: exit-hole
    readings:
      - {kind: hole-edge-distance, instruments: [tape-1]}
      - {kind: hole-diameter, instruments: [tape-1]}
      - {kind: drill-angle, instruments: [angle-1]}
      - {kind: conduit-cover, instruments: [tape-1]}
    checks:
      - id: hole-plugged
        text: Is the conduit plugged or covered until it is sealed?
        caution: Have all buried services been located before drilling?

  - id: saw-cut
    photos:
      - {id: cut-wide, kind: slot, text: "From standing height, the whole cut and the lane line"}
      - {id: slot-near, kind: slot, text: "From straight above, the bar along the slot"}
    readings:
      - {kind: blade-depth, instrument_kinds: [tape, depth-gauge]}
      - {kind: slot-depth, count: 7, spacing: 12 in, instruments: [depth-1]}
      - {kind: slot-start, instruments: [tape-1]}
      - {kind: slot-end, instruments: [tape-1]}
    checks:
      # common practice: wet, or dry with dust masks and the dust blown away from people and traffic
      - id: dust-held-down
        text: Was the saw run wet with the water on, or dry with extraction and respirators?
        caution: Silica dust ruins lungs. Keep clear of the blade's line.

  - id: channel
    photos:
      - {id: channel-photo, text: "The clean, dry and taped channel"}
    readings:
      - {kind: pavement-temperature, instruments: [thermo-1]}
      - {kind: air-temperature, instruments: [thermo-1]}
      - {kind: relative-humidity, instruments: [humid-1]}
    checks:
      - id: channel-clean
        text: Is it washed, or wiped with a cleaner that leaves no residue, and dry?
        caution: Cleaners burn and poison. Read the safety data sheet; gloves and goggles on.
      - {id: taped, text: "Is tape laid along both sides?"}
    materials: [cleaner-1]

  - id: seating
    hold_point: yes
    photos:
      - {id: seating-photo, text: The sensor in the channel with its levelling aids}
    readings:
      - {kind: seat-height, count: 5, spacing: 20 in, instruments: [edge-1]}
      - {kind: insulation-resistance, instruments: [insulation-1]}
    checks:
      - {id: unpacked-undamaged, text: "Was the sensor undamaged when it was unpacked?"}
      - {id: levelling-aids, text: "Do levelling aids sit at both ends and in the middle?"} # common practice

  - id: grout
    photos:
      - {id: labels-photo, text: "The labels of all parts with product, batch and expiry"}
    readings:
      - {kind: part-amount, count: 2, instruments: [scale-1]}
      - {kind: mixing-time, instruments: [watch-1]}
      - {kind: mix-start}
      - {kind: pour-end}
    checks:
      - id: poured-to-the-top
        text: Is the grout poured to the sensor's top and the excess struck off?
        caution: Resins sensitize skin and lungs. Gloves, goggles and fresh air.
    materials: [grout-1]

  - id: cure-and-grind
    hold_point: yes
    photos:
      - {id: surface-photo, kind: surface, text: The finished surface from straight above}
    readings:
      - {kind: grout-temperature, count: 3, instruments: [thermo-1]}
      - {kind: grind-start}
      - {kind: surface-height, count: 7, spacing: 12 in, instruments: [edge-1]}
    checks:
      - {id: aids-removed, text: "Are all levelling aids removed?"}
      - {id: height-witnessed, text: "Did the inspector witness the height check, on site or remotely?"}
      - id: grinder-safe
        text: Was the grinder run with guard and extraction?
        caution: Sparks, fragments and silica dust. Nobody in line with the disc.

  - id: final-checks
    readings:
      - {kind: insulation-resistance, instruments: [insulation-1]}
      - {kind: lane-open}
    checks:
      - {id: leadin-sealed, text: "Is the lead-in sealed over its whole length?"}
      - id: site-cleaned
        text: Is the site clean, with nothing left on the lane?
        caution: The closure stays up until everybody and everything is off the lane.
"""


def new_plan_text() -> str:
    """A whole plan of an invented project with comments that say what each part is for; it reads without fault."""
    return _TEMPLATE
