"""The site files of the three invented sites, as a user would write them."""

from __future__ import annotations

PLAIN_TOML = """\
# Invented sample: one lot, 120 ft of straight shore. Nothing here exists.

[site]
name = "7 Drifttide Lane, Saltspindle Bay (invented)"
crs = "EPSG:6443"                  # NAD83(2011) / Florida West, US survey feet

[lots]
file = "site.gpkg"
layer = "lots"
id_field = "lot_id"

[mhw_line]
file = "site.gpkg"
layer = "mhw_line"
origin = "survey"
epoch = "1983-2001"
vertical_datum = "NAVD88"
elevation_ft = 0.31                # invented
position_rmse_ft = 0.1

[crowns]
file = "site.gpkg"
layer = "crowns"
id_field = "crown_id"
species_field = "species"
base_height_field = "base_height_ft"
base_height_unit = "us-ft"
keep_field = "keep"                # one tree with a nest in it

[trunks]
file = "site.gpkg"
layer = "trunks"
crown_id_field = "crown_id"

[heights]
file = "heights.tif"
unit = "us-ft"                     # the raster does not say; its maker does
rmse_ft = 0.4

[ground]
file = "ground.tif"
unit = "ft"                        # the raster says the same
vertical_datum = "NAVD88"          # that of the MHW line

[band]
low_ft = 6.0
high_ft = 10.0

[options]
target_height_ft = 12.0            # the plan: bring the front of the fringe down to 12 ft
stage_years = 2

[facts]                            # what a map cannot give; all answers invented
supervisor = "professional"
professional_credential = "certified-arborist"
controls_land = true
is_uninhabited_island = false
is_conservation_land = false
is_mitigation_land = false
uses_herbicide = false
is_multifamily = false
is_first_red_trim = true
earlier_proof = "none"
was_lawfully_trimmed = false
notice_date = 2026-12-14
start_date = 2027-01-11
last_freeze_date = 2026-02-01
local_government = "Saltspindle Bay (invented)"
"""

CURVED_TOML = """\
# Invented sample: 180 ft of a cove, with a neighbour on each side. Nothing here exists.

[site]
name = "21 Marlspike Cove (invented)"
crs = "EPSG:6443"                  # NAD83(2011) / Florida West, US survey feet

[lots]
file = "site.gpkg"
layer = "parcels"
id_field = "parcel"

[neighbours]                       # one stops 1.2 ft short of the line, one runs 14 ft past it
file = "site.gpkg"
layer = "adjoining"
id_field = "parcel"

[mhw_line]
file = "site.gpkg"
layer = "mhw_line"
origin = "datum-and-ground"
epoch = "1983-2001"
vertical_datum = "NAVD88"
elevation_ft = 0.31                # invented
position_rmse_ft = 1.5

[crowns]
file = "site.gpkg"
layer = "crowns"
id_field = "crown_id"
species_field = "species"
base_height_field = "base_height_ft"
base_height_unit = "ft"

[trunks]
file = "site.gpkg"
layer = "trunks"
crown_id_field = "crown_id"

[heights]
file = "heights.tif"               # no data in its north-west corner
unit = "ft"                        # the raster says the same
rmse_ft = 0.6

[channel]
file = "site.gpkg"
layer = "channel"

[mouth_line]
file = "site.gpkg"
layer = "mouth_line"

[exclusions]
file = "site.gpkg"
layer = "exclusions"
name_field = "name"

[[setbacks]]
name = "neighbours' agreement"
reference = "riparian-lines"
distance_ft = 10.0
source = "invented agreement between the owners of 20, 21 and 22"

[[setbacks]]
name = "marked channel"
reference = "channel"
distance_ft = 55.0
source = "invented channel marking plan, sheet 2"

[band]
low_ft = 6.0
high_ft = 10.0

[options]
target_height_ft = 9.0             # the plan

[facts]                            # a first look: most is not known yet
controls_land = true
uses_herbicide = false
is_uninhabited_island = false
is_multifamily = false
"""

CANAL_TOML = """\
# Invented sample: a corner lot between two canals, two stretches of shore. Nothing here exists.

[site]
name = "3 Wickwater Row, Lanternjack Canals (invented)"
crs = "EPSG:6443"                  # NAD83(2011) / Florida West, US survey feet

[lots]
file = "site.gpkg"
layer = "lots"
id_field = "lot"
measure = ["LC-03"]                # the other lots of the layer are its neighbours

[mhw_line]
file = "site.gpkg"
layer = "mhw_line"
origin = "digitised"
position_rmse_ft = 2.0

[crowns]
file = "site.gpkg"
layer = "crowns"
id_field = "tree_no"
species_field = "taxon"
base_height_field = "base_m"
base_height_unit = "m"

[trunks]                           # one tree in five was not surveyed
file = "site.gpkg"
layer = "trunks"
crown_id_field = "tree_no"

[heights]
file = "heights.tif"
unit = "m"
rmse_ft = 0.35

[channel]
file = "site.gpkg"
layer = "canal"

[mouth_line]
file = "site.gpkg"
layer = "mouth_line"

[[setbacks]]
name = "overhead service wire"
reference = "file"
distance_ft = 10.0
source = "10 ft up to 50 kV to ground: 29 CFR 1910.269, line-clearance tree trimming"
file = "site.gpkg"
layer = "wire"

[[setbacks]]
name = "side lot lines"
reference = "lot-lines"
distance_ft = 5.0
source = "invented estate covenant, article 4"

[band]
low_ft = 6.0
high_ft = 10.0

[options]
target_height_ft = 8.0             # the plan

[facts]                            # all answers invented
supervisor = "owner"
controls_land = true
is_uninhabited_island = false
is_public_land = false
is_conservation_land = false
is_mitigation_land = true          # a permit of the canal's builder set the bank aside ...
mitigation_provides_trimming = false   # ... and says nothing of trimming
uses_herbicide = false
earlier_proof = "none"
was_lawfully_trimmed = false
local_government = "Lanternjack Canals (invented)"

[rules]
overlays = ["local_rules.toml"]
"""

CANAL_RULES = """\
# Invented rules of an invented town, to show what a local rule file looks like.

[file]
id = "lanternjack"
kind = "overlay"
title = "Canal bank rules of Lanternjack Canals (invented)"
jurisdiction = "Lanternjack Canals (invented)"
version = "1"

[tighten.permit-height-after]
number = 8.0
unit = "ft"
words = "After trimming no mangrove on a canal bank may be under 8 ft tall (invented)."
section = "invented bank code, article 2"
confidence = "read in source"
read_on = "2026-11"

[rule.bank-notice]
words = "The town is told at least 14 days before mangroves on a canal bank are cut (invented)."
measure = "notice_days"
compare = ">="
number = 14.0
unit = "days"
applies_to = "lot"
binds = "everyone"
routes = ["general-permit", "individual-permit"]
effect = "notice"
section = "invented bank code, article 3"
confidence = "read in source"
read_on = "2026-11"
"""
