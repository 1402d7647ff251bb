"""What is assumed where nobody measured it: coverage factors, compasses, positions, lenses, people; each once.

Values without a source are marked 'common practice, no source'. Sigma: one standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from math import radians

#: coverage factor of 95 % for one quantity (normal distribution; JCGM 100:2008, table G.1)
K95 = 1.959964
#: radius that holds 95 % of positions over the standard uncertainty of each axis: sqrt(-2 ln 0.05), circular normal
RADIUS_95 = 2.4477

# ---- plans: photos that are still to be taken ----------------------------------------------------------------------
# Standard uncertainties are those that photos of telephones are read with. Common practice, no source, throughout.

#: focal lengths of a telephone with three lenses, 35 mm equivalents; its picture of 12 megapixels held upright [px]
PHONE_LENSES_MM = (26.0, 77.0, 120.0)
PHONE_UPRIGHT_PX = (3024, 4032)
#: its declination and pitch, upright lines in its pictures, its position per axis [m], its focal length as a share; its
#: compass is HEADING_SIGMA_DEG
PHONE_DECLINATION_RAD, PHONE_PITCH_RAD = radians(0.4), radians(1.0)
UPRIGHT_LINES_RAD = radians(0.4)
PHONE_POSITION_M = 4.0
PHONE_FOCAL_SHARE = 0.018
#: not nearer to a tower than 150 feet, and as far out as the antennas are high
PRACTICE_LEAST_M = 45.72
PRACTICE_OUT_PER_UP = 1.0
#: a plumb sight by eye: the camera rolled by this, its position known to this (95 % radius)
SIGHT_ROLL_RAD = radians(1.0)
SIGHT_POSITION_U95_M = 5.0
#: a landmark that a table does not qualify (95 % radius, as from a map), and the height of one whose height is unknown
PLANNED_LANDMARK_U95_M = 5.0
PLANNED_LANDMARK_HEIGHT_M = 20.0

# ---- what photos' metadata are good for -----------------------------------------------------------------------------

#: a phone's compass away from steel, degrees (Bowers 2022: typically 5 to 10)
HEADING_SIGMA_DEG = 6.0
#: so many headings of exactly zero are placeholders, and say nothing (common practice, no source)
ZERO_HEADING_SHARE = 2.0 / 3.0
#: pitch by Exif's elevation angle, by the maker note's gravity vector, by a panorama's pose, degrees; none has a source
ELEVATION_SIGMA_DEG = 0.7
ACCELERATION_PITCH_SIGMA_DEG = 1.5
ACCELERATION_ROLL_SIGMA_DEG = 1.0
POSE_SIGMA_DEG = 1.0
#: how far photographers hold a camera off level, degrees (common practice, no source)
HELD_LEVEL_SIGMA_DEG = 2.0
#: a position without any statement of its error, metres in each direction (Merry & Bettinger 2019: 7 to 13 m radial in
#: town), and the least that a stated one is taken for
POSITION_SIGMA_M = 8.0
MIN_POSITION_SIGMA_M = 1.0
#: range error that a dilution of precision multiplies, metres (common practice, no source)
RANGE_ERROR_M = 5.0
#: the standard leaves GPSHPositioningError's confidence open; taken as the 68.3 % radius of a circular normal
#: distribution, sigma sqrt(-2 ln(1 - 0.683))
RADIUS_68_PER_SIGMA = 1.515
#: altitude by a phone, metres (common practice, no source)
ALTITUDE_SIGMA_M = 15.0
#: a lens's focal length, relative: marked to +-5 % at 3 sigma (ISO 517, from memory), and changed by focus and
#: stabiliser
NOMINAL_SIGMA = 0.016
#: weight given to the width convention of the 35 mm equivalent on 4:3 pictures, where the two can be told apart
WIDTH_CONVENTION_WEIGHT = 0.25
#: crop factors (43.267 mm over the sensor's diagonal) where nothing tells the sensor's size, with the sigma of their
#: logarithm: phones have sensors of 1 to 1/4 inch (format sizes: common practice)
PHONE_CROP, PHONE_LOG_SIGMA = 5.5, 0.4
CAMERA_CROP, CAMERA_LOG_SIGMA = 1.35, 0.3
PHONE_CROP_LIMITS = (2.4, 10.0)
#: where the optical axis meets an uncropped picture, off its middle, as a share of the width (common practice)
PRINCIPAL_SHARE = 0.005

# ---- photos taken moments apart from one place ----------------------------------------------------------------------
# Common practice, no source, throughout.

#: photos by one camera this near in time, and by their fixes no farther apart than this and what those scatter, are of
#: one place; seconds taken to lie between two of which nobody knows the times, but whose fixes are the same
MOMENTS_S, ONE_PLACE_M, UNTIMED_S = 300.0, 3.0, 60.0
#: a camera is held that much elsewhere for the next photo, per axis, and in height; whoever stays moves on by so much a
#: second; nobody knows of one who has no new fix whether he walked: by so much a second
STEP_M, HELD_STEP_M, STEP_M_PER_S, WALK_M_PER_S = 0.5, 0.3, 0.04, 0.3
#: nobody is by the same steel any more who may have walked that far, one sigma
SAME_STEEL_M = 9.0
#: a fix's error is forgotten by e in so many seconds; its part that the next fix does not share, however soon, as a
#: share of its sigma
FIX_TIME_S, FIX_OWN_SHARE = 300.0, 0.15
#: the part of a good compass's error that the next photo's does not share, as a share of its sigma; of disturbed
#: compasses, those that were so in one photo alone
COMPASS_OWN_SHARE, COMPASS_ALONE_SHARE = 0.3, 0.25

# ---- what a table's blank cells stand for ----------------------------------------------------------------------------

# expanded uncertainties (95 %) and a tolerance; common practice, no source
SITE_POSITION_U95_M = 3.0
RAD_CENTER_U95_M = 1.0
DESIGN_TOLERANCE_DEG = 5.0
READING_U95_DEG = 2.0
READING_DOWNTILT_U95_DEG = 0.5  # a digital level held against a radome
#: a landmark off a map or an aerial photo, the sun in a photo whose clock runs to some seconds, a bearing off a map, a
#: compass used with care, phone pitch and roll, a standpoint marked on an aerial photo, a shadow on a paved yard;
#: metres for landmark and standpoint, else degrees
CONTROL_U95: Mapping[str, float] = {
    "landmark": 10.0,
    "sun": 0.3,
    "bearing": 1.0,
    "heading": 2.0,
    "pitch": 1.0,
    "roll": 1.0,
    "standpoint": 5.0,
    "shadow": 2.0,
    "silhouette": 1.0,
}

# ---- pictures: lenses, and the people who point into them ------------------------------------------------------------

#: standard deviation of a photo's own blur before it is known, px (common practice, no source)
PHOTO_BLUR_PX = 0.9
#: sharper than the lower end no sampled picture is, softer than the upper end none that is worth measuring, px
BLUR_LIMITS_PX = (0.45, 2.5)
#: who picks a corner with care is off by this share of the panel's width as seen, and never by less than so many px;
#: haste adds so many; an exact corner is off by the last. In x and in y, one sigma (common practice, no source)
PICK_SHARE, PICK_LEAST_PX, PICK_HASTE_PX, EXACT_CORNER_PX = 0.02, 1.5, 2.83, 0.7

# ---- naming: which panel is which antenna, which photo shows which site ----------------------------------------------
# Shares are probabilities; all of it common practice, no source, where nothing else is said.

#: how often a compass beside steel is disturbed, and its standard deviation then. Read off five real photos, errors -7,
#: -19, 12, -12 and -90 degrees, which is little to go by: common practice, no source
COMPASS_DISTURBED_SHARE = 0.2
COMPASS_DISTURBED_RAD = radians(35.0)
#: what a compass says is no word at all that often, anything up to half a turn: naming must survive that. The network,
#: which begins where the panels are named, has no such share
COMPASS_NONSENSE_SHARE = 0.20
#: a heading that a person states, or one made from a landmark, is a slip that often
STATEMENT_NONSENSE_SHARE = 1e-4
#: a standpoint is three times worse than it says, or nonsense, that often
STANDPOINT_WIDE_SHARE, STANDPOINT_NONSENSE_SHARE = 0.10, 0.02
#: how high a camera is held above the ground, and its sigma, with steps and banks [m]
CAMERA_HEIGHT_M = (1.5, 1.5)
#: how far the ground where somebody stands lies above or below that at the tower: this share of the way between, one
#: sigma. Sites stand on hills, and slopes of a tenth are common in built-up country (common practice, no source)
GROUND_SLOPE_SHARE = 0.1
#: how far sea level lies off the ellipsoid: its spread over the earth (EGM96, from memory). Where nobody says which of
#: the two a height is above, either is as likely [m]
GEOID_SIGMA_M = 30.0

#: stand-off of a sector's antennas from the axis and spacing along it, before any photo is seen: value, sigma [m]
MOUNT_STAND_OFF_M = (1.6, 0.5)
MOUNT_SPACING_M = (0.8, 0.2)
#: what single antennas scatter about that, level and in height [m]
MOUNT_PLACE_SIGMA_M = 0.17
MOUNT_HEIGHT_SIGMA_M = 0.12
#: a register's heights err together for the most part: an antenna's own share of their sigma
OWN_SHARE_OF_HEIGHT_SIGMA = 0.4

#: registers that list only some of a tower's panels, other operators' not at all: their share, that of those with one
#: sector only, and of those with one row for each of their sectors, which mostly hold several panels; how far from its
#: place a row's panel may then hang along its sector, one sigma in spacings; each further unlisted panel in a photo is
#: as probable as this; the share of them that have the size of one listed, as sectors are mostly built alike; where and
#: how large they are: anywhere in such a part of the head [m], the others with sizes within such a range (ln) (common
#: practice, no source)
UNLISTED_SHARE, UNLISTED_SHARE_ONE_SECTOR, UNLISTED_SHARE_ONE_EACH = 0.3, 0.9, 0.6
UNLISTED_ASIDE, UNLISTED_MORE, UNLISTED_LIKE_LISTED_SHARE = 0.8, 0.6, 0.5
UNLISTED_REGION_M, UNLISTED_LN_SIZES = (6.0, 4.0), (1.0, 1.0)

#: the finder's yaw: its sigma, the share of plain nonsense, the shares taken for their mirror image near face-on (where
#: no side wall shows) and elsewhere
YAW_SIGMA_RAD = radians(9.0)
YAW_NONSENSE_SHARE = 0.03
YAW_MIRRORED = (0.12, 0.04)
NEAR_FACE_ON_RAD = radians(30.0)
#: nobody is surer than that of front or rear
FRONT_LIMIT = 0.97
#: a panel in full view is found with this probability when it shows its front, and its rear
FOUND_SHARE = (0.88, 0.45)

#: where photographers stand, in heights of the tower: nine of ten of the measuring kind, 95 % of them between 0.5 and 6
#: heights away; the others anywhere up to FARTHEST_HEIGHTS, as many in each doubling of the distance
NEAREST_HEIGHTS, USUAL_HEIGHTS, FARTHEST_HEIGHTS = 0.5, 6.0, 100.0
FAR_SHARE = 0.1
#: nobody measures a panel from farther away than this [m]
REACH_M = 3000.0
#: a position nearer than this to a site's coordinates is those coordinates, rounded, and no standpoint: nobody stands
#: so near to the axis. So many photos of archives are stamped in this way
STAMPED_M = 2.0
STAMPED_SHARE = 0.2
#: sites nearer together than this are two registers' rows of one roof or mast: a photo of one may show the other [m]
TWIN_M = 30.0
#: photos that show none of the register's sites, anywhere within reach of one
NO_SITE_SHARE = 0.05
#: standard deviation of a tower's place in the frame, in widths of the frame: whoever takes a photo of it aims at it
AIM_SHARE = 0.2
#: where the lens is not known: horizontal field of view of a phone's main camera, 26 mm equivalent [deg]
USUAL_FIELD_DEG = 69.0

# ---- surroundings: what maps of buildings are good for --------------------------------------------------------------
# One standard uncertainty each, common practice, no source, where nothing else is said.

#: a map's building lies aside as a whole by so much, per axis, and each corner by so much more [m]
FOOTPRINT_SIGMA_M, CORNER_SIGMA_M = 1.2, 0.4
#: a height that a map gives: this share of it and so many metres; one told from storeys of so many metres each
MAP_HEIGHT_SHARE, MAP_HEIGHT_SIGMA_M = 0.15, 0.5
STOREY_M, STOREYS_SHARE, STOREYS_SIGMA_M = 3.0, 0.20, 1.0
#: a building of which nobody gives the height: up to a footprint of so many square metres, its eaves, their sigma [m]
EAVES_BY_FOOTPRINT_M = ((40.0, 2.8, 0.8), (400.0, 6.0, 2.5), (2000.0, 9.0, 4.5), (float("inf"), 11.0, 6.0))
#: a pitched roof rises by this share of the building's narrow side (some 35 degrees), on buildings not wider or higher
#: than this; on others, and where a map says so, roofs are flat [m]
ROOF_RISE_SHARE, PITCHED_WIDTH_M, PITCHED_EAVES_M = 0.35, 18.0, 16.0
#: where the ground is taken to be level, a building's own lies GROUND_SLOPE of the distance off the slope that all have
#: in common, but not more than this [m]
GROUND_OFF_SLOPE_M = 3.0
#: what stands further from a site than this is not looked at [m]
SURROUNDINGS_M = 2500.0
#: for plans, what stands further away than this is not looked at [m]
PLANNED_SURROUNDINGS_M = 1000.0
#: so many of a site's buildings are kept at most: those within the distance, then those that look the highest [m]
SURROUNDINGS_MOST, SURROUNDINGS_ALL_M = 6000, 300.0
#: hills further away than this are not looked at; a grid of heights, of the ground at one place against another's [m]
HILLS_M, TERRAIN_SIGMA_M = 20_000.0, 1.5
#: mean radius of the earth (IUGG) [m]
EARTH_RADIUS_M = 6371008.8
#: refraction of light near the ground: the ray's curvature as a share of the earth's (C. F. Gauss; as surveyors use it)
REFRACTION_K = 0.13

# ---- the network: antennas and cameras before anything is measured, controls, what could still be brought ------------
# One standard uncertainty each, common practice, no source, where nothing else is said.

#: a camera that its metadata do not level is held this far off level by somebody who aims at a tower
HAND_HELD_ROLL_RAD = radians(1.5)
#: a focal length less sure than this is as good as not known: then the antennas' sizes tell it better
UNSURE_FOCAL_SHARE = 0.06
#: an antenna's downtilt where nobody says, value and sigma; sigma of one by design; how far from plumb it is mounted
DOWNTILT_RAD = (radians(3.5), radians(3.0))
DESIGN_DOWNTILT_SIGMA_RAD = radians(1.5)
PLUMB_SIGMA_RAD = radians(0.7)
#: how far an antenna stands off the axis along its azimuth where nobody says [m], value and sigma; sigma of a given one
STAND_OFF_M = (1.4, 1.0)
GIVEN_OFFSET_SIGMA_M = 0.15
#: a panel antenna's sizes where nobody says: value [m] and sigma of its logarithm; of a size that the register gives: a
#: hundredth, and 4 mm of rounding
TYPICAL_SIZE_M = {"width": (0.30, 0.30), "height": (1.7, 0.35), "depth": (0.14, 0.30)}
SIZE_SIGMA = (0.01, 0.004)
#: a found panel's height as the finder has it, relative; and of all of one photo's together
FOUND_HEIGHT_SIGMA, FOUND_HEIGHTS_SIGMA = 0.06, 0.02
#: how far all mounts together, and one sector's mount alone, may hang turned about the axis from what the design says.
#: The first is wide on purpose: a site built to a wrong north is what one wants to find
ALL_TURNED_RAD = radians(10.0)
SECTOR_TURNED_RAD = radians(5.0)
#: an antenna's place scatters more than a mount's pattern says where arms are bent and brackets differ
OWN_PLACE_WIDENED = 1.5
#: what a real body's shape differs from the model, the same in every photo of it (measured on rendered tower heads)
SHAPE_SIGMA_RAD = radians(0.35)
#: a landmark's height above the tower's base where nobody says it, value and sigma; sigma of a given one [m]; nobody
#: sees one from farther away
LANDMARK_UP_M, LANDMARK_UP_SIGMA_M, LANDMARK_GIVEN_UP_SIGMA_M = 10.0, 60.0, 5.0
FARTHEST_LANDMARK_M = 80_000.0
#: a shadow: picking either end, the slope of ground called level, the lean of what is called plumb
SHADOW_PICK_PX, GROUND_SLOPE, LEAN_RAD = 2.0, 0.02, radians(1.0)
#: refraction differs from the standard atmosphere's by this share of it
REFRACTION_SIGMA = 0.1
#: what could be brought (95 %): a landmark's place as from a map, a bearing, a surveyed place, a measured downtilt
BROUGHT_LANDMARK_U95_M = 3.0
BROUGHT_BEARING_U95_RAD = radians(0.5)
BROUGHT_SURVEY_U95_M = 0.1
BROUGHT_DOWNTILT_U95_RAD = radians(0.5)
#: a landmark's pixel as picked
LANDMARK_PX = 1.5
#: of a calibration: focal length relative, principal point; of a data sheet's sizes: a hundredth
CALIBRATED_F, CALIBRATED_PX = 0.001, 3.0
DATA_SHEET_SHARE = 0.01
#: another photo, of which no metadata are known yet: its compass, as one normal distribution between a good one
#: (HEADING_SIGMA_DEG) and a disturbed one (COMPASS_DISTURBED_RAD), as forecasts are linear; and its position per axis,
#: where the photographer waits for a good fix
FURTHER_COMPASS_RAD = radians(10.0)
FURTHER_POSITION_M = 3.0

# ---- readings and designs: how antennas hang, what goes wrong with readings, when something is said ------------------
# Common practice, no source, where nothing else is said: how often each fault is met where records are checked is not
# published. The shares matter only where photos and readings themselves do not tell. Sigmas in degrees.

#: risk of deciding wrongly about a design or a reading, either way, unless the user sets another
DECISION_RISK = 0.05
#: zeta from which a difference calls for action (ISO 13528); an alternative azimuth less probable than this does not
#: save a reading
LEAST_ALTERNATIVE = 0.05
#: how antennas hang that nobody has measured: about the design by that share of the tolerance (one sigma), but for this
#: share, which is turned: by so much (one sigma), or, that share of it, anywhere
AS_DESIGNED_SPREAD = 0.5
NOT_AS_DESIGNED_SHARE, TURNED_SIGMA_DEG, ANYWHERE_SHARE = 0.15, 25.0, 0.3
#: sites that were built to a wrong north, all antennas alike, and by how much (one sigma)
SITE_ERROR_SHARE, SITE_ERROR_SIGMA_DEG = 0.03, 15.0
#: an azimuth whose U95 is as wide as this is not measured, and nothing is decided by it
NOT_MEASURED_U95_DEG = 90.0
#: outlines of which less found its edge than this decide nothing by themselves
LEAST_EDGE_FOUND = 0.5

#: faults of reference, shares of sites (or of one day's readings): the declination left out, applied the wrong way,
#: applied twice; grid taken for true; all off by one angle; all read the wrong way round
DECLINATION_OMITTED_SHARE, DECLINATION_SIGN_SHARE, DECLINATION_TWICE_SHARE = 0.06, 0.02, 0.01
GRID_FOR_TRUE_SHARE, COMMON_OFFSET_SHARE, ALL_REVERSED_SHARE = 0.03, 0.04, 0.003
#: how much rarer such a fault is in a reading whose stated north makes it an odd one (corrected, yet stated magnetic)
ODD_NORTH = 0.1
#: spread of an angle common to all readings, and of a plainly wrong reading; that share of the latter is anything
COMMON_OFFSET_SIGMA_DEG, READING_WRONG_SIGMA_DEG = 15.0, 20.0
#: of sites: whole sectors exchanged or passed on round the tower; two antennas' readings exchanged, at one place of
#: two sectors (or side by side) and elsewhere; a reading taken off another antenna, likewise
SECTORS_EXCHANGED_SHARE = 0.04
PAIR_EXCHANGED_SHARE, FAR_PAIR_EXCHANGED_SHARE = 0.02, 0.005
OTHER_ANTENNA_READ_SHARE, FAR_ANTENNA_READ_SHARE = 0.02, 0.004
#: of readings: the wrong way round, two digits exchanged, plainly wrong, a fault of declination of its own
READING_REVERSED_SHARE, DIGITS_TRANSPOSED_SHARE, READING_WRONG_SHARE = 0.015, 0.01, 0.06
OWN_REFERENCE_FAULT_SHARE = 0.0005
#: of antennas: turned since it was read; its estimate spoiled or another's (more where its name is unsure)
TURNED_SINCE_SHARE, ESTIMATE_SPOILED_SHARE = 0.015, 0.005

#: a cause is named where it is at least this probable, listed down to that; two are not told apart where neither the
#: readings nor all that is known favour one by more than a factor
CAUSE_NAMED, CAUSE_LISTED, CAUSES_APART = 0.5, 0.05, 3.0
#: standardised departure above which an antenna stands apart (two-sided 0.1 %); probability of a chi-square as large as
#: found, below which the rest is not consistent (Cox 2002, 5.1); fewer antennas do not tell whose a difference is
W_CRITICAL = 3.29
P_CRITICAL = 0.05
MIN_TO_SEPARATE = 3
#: photos further apart than this are of different visits
VISIT_GAP = timedelta(days=14)
#: what a photo of an antenna that none shows so far is taken to give (95 %), and its distance [m]
FIRST_PHOTO_U95_DEG, FIRST_PHOTO_M = 3.0, 60.0
#: sectors nearer to each other than this are layers of one, not neighbours; a change of gain smaller than this is
#: neither overlap nor hole
SAME_SECTOR_DEG = 25.0
NOTHING_DB = 0.5
