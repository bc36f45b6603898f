"""Constants of nature and of the trade: value, unit, source; one per line."""

from math import log

SPEED_OF_SOUND = 343.2  # m/s, dry-ish air at 20 C: 343.2 sqrt(T/293.15), the form of ISO 9613-1
AIR_DENSITY = 1.204  # kg/m3, air at 20 C and 101325 Pa (CIPM-2007 gives 1.20456 dry)
FILM_DENSITY = 1390.0  # kg/m3, PET film, a film maker's bulletin (ASTM D1505)
FILM_MODULUS = 4.8e9  # Pa, PET film, two makers' bulletins, +-0.3e9
FILM_POISSON = 0.38  # 1, PET film before yield, same bulletin
FILM_EXPANSION = 1.7e-5  # 1/K, PET film, 30-50 C (ASTM D696), same bulletin
MIL = 25.4e-6  # m, exact
INCH = 0.0254  # m, exact
ROD_THREAD_PITCH = 0.0254 / 24  # m per turn, 12-24 UNC (ASME B1.1)
TENSION_PER_TURN = 300.0  # N/m that a turn of every rod adds, middle of 150-600, common practice, no source
LN_1000 = log(1000.0)  # 6.9078: 60 dB in nepers, t60 = LN_1000 tau
A4 = 440.0  # Hz, ISO 16:1975

ASSUMED_RESISTANCE = 5.0  # N s/m3 over a head, common practice, no source: used when nothing is known
ASSUMED_RESISTANCE_FACTOR = 2.5  # one standard deviation of that guess, as a factor
ASSUMED_STIFFNESS_LOSS = 2.0e-6  # s, order of a viscoelastic film term used in a timpano simulation (memory)
ASSUMED_FILM_MIL = 10.0  # mil, single-ply kit film, common practice, no source
FILM_MASS_SD = 0.05  # relative, spread of a film's surface density about its nominal, common practice
STRIKE_RADIUS_SD = 0.03  # m, Gaussian spot of a felt beater, common practice, no source
STRIKE_DURATION = 0.006  # s, push of a beater: 3-6 ms seen for sticks (Wagner 2006), beaters longer
STRIKE_FORCE = 60.0  # N, peak of the reference push
ONSET_TO_LEVEL = 0.006  # s after the onset at which a partial's level is quoted
