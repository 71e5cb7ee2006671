"""Published measurements that the project is fitted to or judged by, in one place.

Each table names its source and its standing; tests and benchmarks read them from here.
"""

from typing import NamedTuple


class Throw(NamedTuple):
    """One throw of Theobald (1981): None where the source gives no value.

    ``nozzle`` numbers his internal profiles; tip diameter [mm], nozzle pressure [bar], elevation [deg],
    greatest height, distance to it and greatest range [m], breakup length over tip diameter [-].
    """

    nozzle: int
    tip_diameter: float
    pressure: float
    elevation: float
    greatest_height: float | None
    distance_to_height: float | None
    greatest_range: float
    breakup_ratio: float


# Theobald, C. R. (1981), The effect of nozzle design on the stability and performance of turbulent water
# jets, Fire Safety Journal 4, 1-13. Read as digitised in an open experimental-data repository (public
# domain). Greatest range is that of the farthest drops. Nozzle height above ground, wind and the position of
# the pressure tap are not in the data. The flight laws' constants are fitted to all of these ranges.
# fmt: off
THEOBALD_1981 = tuple(Throw(*row) for row in (
    (7, 13.0, 2.1, 20.0, None, None, 21.2, 208.0),
    (7, 13.0, 2.1, 25.0, None, None, 21.9, 208.0),
    (7, 13.0, 2.1, 30.0, None, None, 23.3, 208.0),
    (7, 13.0, 2.1, 35.0, 8.8, 13.7, 24.4, 208.0),
    (7, 13.0, 2.1, 40.0, None, None, 25.3, 208.0),
    (7, 13.0, 2.1, 45.0, None, None, 23.4, 208.0),
    (7, 13.0, 2.8, 35.0, 10.1, 20.4, 28.7, 206.0),
    (7, 13.0, 4.1, 20.0, None, None, 32.0, 211.2),
    (7, 13.0, 4.1, 25.0, None, None, 32.5, 211.2),
    (7, 13.0, 4.1, 30.0, None, None, 34.8, 211.2),
    (7, 13.0, 4.1, 35.0, 12.5, 25.9, 34.4, 211.2),
    (7, 13.0, 4.1, 40.0, None, None, 34.0, 211.2),
    (7, 13.0, 4.1, 45.0, None, None, 31.7, 211.2),
    (7, 13.0, 6.2, 35.0, 13.4, None, 36.6, 226.3),
    (7, 25.4, 2.1, 35.0, 9.7, 18.3, 32.0, 211.2),
    (7, 25.4, 2.8, 35.0, None, None, 38.1, 220.6),
    (7, 25.4, 4.1, 20.0, None, None, 44.3, 233.6),
    (7, 25.4, 4.1, 25.0, None, None, 46.3, 233.6),
    (7, 25.4, 4.1, 30.0, None, None, 48.0, 233.6),
    (7, 25.4, 4.1, 35.0, 14.6, 32.0, 48.8, 233.6),
    (7, 25.4, 4.1, 40.0, None, None, 48.2, 233.6),
    (7, 25.4, 4.1, 45.0, None, None, 46.7, 233.6),
    (7, 25.4, 6.2, 20.0, None, None, 54.3, 233.6),
    (7, 25.4, 6.2, 25.0, None, None, 55.6, 233.6),
    (7, 25.4, 6.2, 30.0, None, None, 56.5, 233.6),
    (7, 25.4, 6.2, 35.0, 17.7, 39.6, 56.4, 233.6),
    (7, 25.4, 6.2, 40.0, None, None, 56.3, 233.6),
    (7, 25.4, 6.2, 45.0, None, None, 54.7, 233.6),
    (9, 19.0, 2.1, 35.0, None, None, 29.0, 191.8),
    (9, 19.0, 2.8, 20.0, None, None, 29.4, 192.8),
    (9, 19.0, 2.8, 25.0, None, None, 30.7, 192.8),
    (9, 19.0, 2.8, 30.0, None, None, 31.7, 192.8),
    (9, 19.0, 2.8, 35.0, 10.0, 21.3, 34.1, 192.8),
    (9, 19.0, 2.8, 40.0, None, None, 32.0, 192.8),
    (9, 19.0, 2.8, 45.0, None, None, 30.9, 192.8),
    (9, 19.0, 4.1, 35.0, 12.8, 30.0, 38.1, 201.5),
    (9, 19.0, 4.8, 20.0, None, None, 38.0, 206.6),
    (9, 19.0, 4.8, 25.0, None, None, 38.6, 206.6),
    (9, 19.0, 4.8, 30.0, None, None, 40.4, 206.6),
    (9, 19.0, 4.8, 35.0, None, None, 40.8, 206.6),
    (9, 19.0, 4.8, 40.0, None, None, 41.0, 206.6),
    (9, 19.0, 4.8, 45.0, None, None, 40.6, 206.6),
    (9, 19.0, 6.2, 35.0, None, None, 42.7, 210.6),
    (10, 13.5, 2.1, 35.0, None, None, 26.4, 250.0),
    (10, 13.5, 2.8, 35.0, None, None, 28.8, 244.4),
    (10, 13.5, 4.1, 35.0, None, None, 34.7, 251.2),
    (6, 13.5, 2.1, 35.0, None, None, 21.2, 162.7),
))

# Freeman, J. R. (1889), Experiments relating to hydraulics of fire streams, Trans. ASCE 21, 303-482, as
# reprinted in twentieth-century handbooks. FROM MEMORY. 'Effective' is the limit as a good stream in
# moderate wind, not the farthest drops.
# (tip [in], nozzle pressure [psi], effective vertical reach [ft], effective horizontal reach [ft])
FREEMAN_1889 = (
    (0.75, 20, 33, 29),
    (0.75, 30, 48, 37),
    (0.75, 35, 55, 41),
    (0.75, 40, 60, 44),
    (0.75, 45, 64, 47),
    (0.75, 50, 67, 50),
    (0.75, 55, 70, 52),
    (0.75, 60, 72, 54),
    (0.75, 65, 74, 56),
    (0.75, 70, 76, 58),
    (0.75, 75, 78, 60),
    (0.75, 80, 79, 62),
    (0.75, 85, 80, 64),
    (0.75, 90, 81, 65),
    (0.75, 95, 82, 66),
    (0.75, 100, 83, 68),
    (1.125, 20, 36, 38),
    (1.125, 30, 52, 50),
    (1.125, 35, 59, 54),
    (1.125, 40, 65, 59),
    (1.125, 45, 70, 63),
    (1.125, 50, 75, 66),
    (1.125, 55, 80, 69),
    (1.125, 60, 83, 72),
    (1.125, 65, 86, 75),
    (1.125, 70, 88, 77),
    (1.125, 75, 90, 79),
    (1.125, 80, 92, 81),
    (1.125, 85, 94, 83),
    (1.125, 90, 96, 85),
    (1.125, 95, 98, 87),
    (1.125, 100, 99, 89),
)

# Gunn, R. & Kinzer, G. D. (1949), The terminal velocity of fall for water droplets in stagnant air,
# J. Meteorology 6, 243-248: 1013 mb, 20 degC. Read in a secondary source that cites the table.
# (drop diameter [mm], terminal velocity [m/s])
GUNN_KINZER_1949 = (
    (0.078, 0.18), (0.1, 0.27), (0.2, 0.72), (0.3, 1.17), (0.4, 1.62),
    (0.5, 2.06), (0.6, 2.47), (0.7, 2.87), (0.8, 3.27), (0.9, 3.67),
    (1.0, 4.03), (1.2, 4.64), (1.4, 5.17), (1.6, 5.65), (1.8, 6.09),
    (2.0, 6.49), (2.2, 6.9), (2.4, 7.27), (2.6, 7.57), (2.8, 7.82),
    (3.0, 8.06), (3.2, 8.26), (3.4, 8.44), (3.6, 8.6), (3.8, 8.72),
    (4.0, 8.83), (4.2, 8.92), (4.4, 8.98), (4.6, 9.03), (4.8, 9.07),
    (5.0, 9.09), (5.2, 9.12), (5.4, 9.14), (5.6, 9.16), (5.8, 9.17),
)


class PipeJet(NamedTuple):
    """One jet from a long pipe: regime as its study names it; all numbers dimensionless."""

    source: str
    regime: str
    weber_number: float
    turbulence_intensity: float
    density_ratio: float
    breakup_ratio: float


# Breakup lengths of water jets from long pipes, read in an open compilation of the studies named in each
# row. Turbulence is mostly estimated there from the pipe's friction factor. Every second row of turbulent
# surface breakup, and every row of transition and atomization with a Weber number above the published
# regime boundary. The correlations in use were fitted to a larger set that contains these rows.
PIPE_JETS = tuple(PipeJet(*row) for row in (
    ("Chen 1962", "turbulent surface breakup", 13313.8, 0.05649, 840.0, 171.0),
    ("Chen 1962", "turbulent surface breakup", 18811.8, 0.05544, 840.0, 209.0),
    ("Chen 1962", "turbulent surface breakup", 9849.6, 0.05875, 840.0, 158.0),
    ("Chen 1962", "turbulent surface breakup", 24764.6, 0.05436, 840.0, 193.0),
    ("Chen 1962", "turbulent surface breakup", 16682.7, 0.05708, 844.3, 221.0),
    ("Chen 1962", "turbulent surface breakup", 6823.3, 0.05672, 835.6, 139.0),
    ("Grant 1965", "turbulent surface breakup", 19206.7, 0.07366, 677.3, 183.0),
    ("Grant 1965", "transition", 121648.0, 0.066, 677.3, 294.0),
    ("Grant 1965", "turbulent surface breakup", 9603.4, 0.08077, 677.3, 164.0),
    ("Grant 1965", "turbulent surface breakup", 3482.5, 0.07199, 841.9, 115.0),
    ("Grant 1965", "turbulent surface breakup", 21765.5, 0.06471, 841.9, 237.0),
    ("Grant 1965", "transition", 40494.6, 0.06258, 841.9, 268.0),
    ("Kusui 1969", "turbulent surface breakup", 5391.7, 0.06076, 843.1, 127.5),
    ("Kusui 1969", "turbulent surface breakup", 8763.4, 0.06076, 843.1, 149.3),
    ("Kusui 1969", "turbulent surface breakup", 12812.5, 0.06076, 843.1, 173.2),
    ("Kusui 1969", "turbulent surface breakup", 6165.2, 0.08814, 843.1, 129.9),
    ("Kusui 1969", "turbulent surface breakup", 7870.4, 0.08814, 843.1, 142.0),
    ("Kusui 1969", "turbulent surface breakup", 10649.3, 0.08814, 843.1, 159.3),
    ("Kusui 1969", "turbulent surface breakup", 4022.3, 0.10434, 843.1, 109.1),
    ("Kusui 1969", "turbulent surface breakup", 6131.0, 0.10434, 843.1, 122.7),
    ("Kusui 1969", "turbulent surface breakup", 10561.6, 0.10434, 843.1, 150.1),
    ("Kusui 1969", "turbulent surface breakup", 15118.6, 0.10434, 843.1, 173.4),
    ("Kusui 1969", "atomization", 20250.2, 0.10434, 843.1, 182.5),
    ("Kusui 1969", "turbulent surface breakup", 4749.6, 0.11141, 843.1, 110.5),
    ("Kusui 1969", "turbulent surface breakup", 8796.3, 0.11141, 843.1, 135.6),
    ("Kusui 1969", "turbulent surface breakup", 12806.2, 0.11141, 843.1, 159.7),
    ("Kusui 1969", "turbulent surface breakup", 6918.1, 0.12713, 843.1, 118.6),
    ("Kusui 1969", "turbulent surface breakup", 8755.5, 0.12713, 843.1, 128.6),
    ("Kusui 1969", "turbulent surface breakup", 10640.5, 0.12713, 843.1, 138.4),
    ("Kusui 1969", "turbulent surface breakup", 12709.3, 0.12713, 843.1, 148.8),
    ("Kusui 1969", "turbulent surface breakup", 24707.8, 0.06214, 832.4, 235.1),
    ("Kusui 1969", "turbulent surface breakup", 29636.2, 0.06214, 832.4, 247.8),
    ("Kusui 1969", "transition", 34833.5, 0.06214, 832.4, 259.8),
    ("Kusui 1969", "transition", 42644.5, 0.06214, 832.4, 269.5),
    ("Kusui 1969", "transition", 44618.5, 0.06214, 832.4, 271.4),
    ("Kusui 1969", "transition", 48998.4, 0.06214, 832.4, 272.5),
    ("Kusui 1969", "turbulent surface breakup", 11620.5, 0.09664, 832.4, 154.7),
    ("Kusui 1969", "turbulent surface breakup", 16338.1, 0.09664, 832.4, 177.6),
    ("Kusui 1969", "turbulent surface breakup", 18992.4, 0.09664, 832.4, 187.4),
    ("Kusui 1969", "transition", 33040.8, 0.09664, 832.4, 225.9),
    ("Kusui 1969", "transition", 36746.0, 0.09664, 832.4, 229.7),
    ("Kusui 1969", "turbulent surface breakup", 16132.2, 0.10652, 832.4, 168.8),
    ("Kusui 1969", "transition", 27797.0, 0.10652, 832.4, 206.2),
    ("Kusui 1969", "turbulent surface breakup", 13843.9, 0.12357, 832.4, 153.4),
    ("Kusui 1969", "transition", 21652.3, 0.12357, 832.4, 181.2),
    ("Kusui 1969", "transition", 23138.5, 0.12357, 832.4, 183.6),
    ("Phinney 1975", "turbulent surface breakup", 4050.8, 0.06791, 2726.3, 119.8),
    ("Phinney 1975", "turbulent surface breakup", 3451.1, 0.06855, 973.7, 111.7),
    ("Phinney 1975", "turbulent surface breakup", 6177.1, 0.06902, 9736.9, 142.9),
    ("Phinney 1975", "turbulent surface breakup", 9313.3, 0.06739, 9736.9, 164.0),
    ("Phinney 1975", "turbulent surface breakup", 6178.6, 0.06902, 2726.3, 140.0),
    ("Shimizu et al. 1984", "turbulent surface breakup", 1764.2, 0.06902, 882.2, 98.6),
    ("Shimizu et al. 1984", "turbulent surface breakup", 3908.1, 0.06594, 882.2, 126.2),
    ("Shimizu et al. 1984", "turbulent surface breakup", 6127.2, 0.06432, 882.2, 143.5),
    ("Shimizu et al. 1984", "atomization", 43022.4, 0.05817, 882.2, 176.6),
    ("Shimizu et al. 1984", "atomization", 51795.6, 0.05765, 882.2, 166.5),
    ("Shimizu et al. 1984", "atomization", 60922.6, 0.0572, 882.2, 182.1),
    ("Shimizu et al. 1984", "atomization", 105295.0, 0.05574, 882.2, 167.3),
    ("Shimizu et al. 1984", "transition", 5283.5, 0.06485, 29.4, 82.8),
    ("Shimizu et al. 1984", "transition", 13418.8, 0.06169, 29.4, 93.1),
    ("Shimizu et al. 1984", "transition", 21399.6, 0.06023, 29.4, 89.7),
    ("Shimizu et al. 1984", "transition", 20793.2, 0.06032, 29.4, 76.2),
    ("Shimizu et al. 1984", "atomization", 61279.3, 0.05718, 29.4, 75.6),
    ("Shimizu et al. 1984", "atomization", 100456.0, 0.05586, 29.4, 63.6),
    ("Shimizu et al. 1984", "atomization", 140080.0, 0.055, 29.4, 68.1),
    ("Arai et al. 1985", "turbulent surface breakup", 2822.6, 0.0751, 853.1, 104.8),
    ("Arai et al. 1985", "transition", 33321.1, 0.06483, 853.1, 195.4),
    ("Arai et al. 1985", "transition", 41652.4, 0.06405, 853.1, 189.7),
    ("Arai et al. 1985", "transition", 106192.0, 0.06096, 853.1, 146.5),
    ("Arai et al. 1985", "atomization", 192685.0, 0.05915, 853.1, 139.3),
    ("Arai et al. 1985", "atomization", 221645.0, 0.05874, 853.1, 139.9),
    ("Arai et al. 1985", "atomization", 272130.0, 0.05815, 853.1, 139.7),
    ("Arai et al. 1985", "transition", 8544.7, 0.0701, 28.4, 82.7),
    ("Arai et al. 1985", "transition", 25419.6, 0.06581, 28.4, 85.2),
    ("Arai et al. 1985", "transition", 37249.6, 0.06444, 28.4, 73.9),
    ("Arai et al. 1985", "transition", 75045.9, 0.06207, 28.4, 59.0),
    ("Arai et al. 1985", "atomization", 144620.0, 0.06001, 28.4, 50.4),
    ("Arai et al. 1985", "atomization", 178764.0, 0.05937, 28.4, 54.8),
    ("Arai et al. 1985", "atomization", 269616.0, 0.05818, 28.4, 48.0),
    ("Arai et al. 1985", "atomization", 270674.0, 0.05817, 28.4, 52.6),
    ("Arai et al. 1985", "transition", 19421.2, 0.06682, 28.4, 96.6),
    ("Arai et al. 1985", "transition", 46206.0, 0.06369, 28.4, 108.6),
    ("Arai et al. 1985", "transition", 58602.8, 0.06288, 28.4, 111.0),
    ("Arai et al. 1985", "transition", 70817.0, 0.06226, 28.4, 110.9),
    ("Arai et al. 1985", "transition", 101432.0, 0.0611, 28.4, 109.5),
    ("Arai et al. 1985", "transition", 104826.0, 0.061, 28.4, 97.6),
    ("Arai et al. 1985", "atomization", 128432.0, 0.06037, 28.4, 86.5),
    ("Arai et al. 1985", "atomization", 190307.0, 0.05919, 28.4, 78.0),
    ("Arai et al. 1985", "atomization", 211670.0, 0.05887, 28.4, 82.1),
    ("Arai et al. 1985", "atomization", 223073.0, 0.05872, 28.4, 74.2),
    ("Arai et al. 1985", "atomization", 280372.0, 0.05807, 28.4, 76.6),
    ("Sallam et al. 2002", "atomization", 67113.0, 0.05509, 859.5, 261.0),
    ("Sallam et al. 2002", "turbulent surface breakup", 10087.0, 0.06338, 859.5, 162.2),
    ("Sallam et al. 2002", "atomization", 51142.0, 0.06309, 689.7, 254.0),
    ("Sallam et al. 2002", "atomization", 163083.0, 0.05943, 689.7, 278.8),
    ("Sallam et al. 2002", "atomization", 270976.0, 0.05796, 689.7, 282.7),
))
# fmt: on

# Facts of the trade, COMMON PRACTICE, NO SOURCE: hand-held streams at 50 psi and about 160 gpm, one throw each, read to
# a few feet; elevation and wind were not told (5 to 10 deg and light air are taken). The two fog nozzles are of one
# rating, the bores 7/8 in; the plunger sat before the first fog nozzle. Priors were widened to hold them, so they check
# that the priors are wide enough and validate nothing.
# (nozzle and shutoff, distances reached [ft])
PRACTICE_REACH = {"fog, plunger": (46.0,), "fog, full ball": (57.0, 68.0), "bore, full ball": (74.0, 75.0, 82.0)}
# (the same, distances at which they were seen to break up [ft])
PRACTICE_BREAKUP = {"fog, full ball": (15.0, 30.0), "bore, full ball": (30.0,)}
