"""The one bibliography: every source that the package rests on, how it was read, and numbered references to it.

A text cites with ``[@theobald1981]`` or ``[@holm1979; @morris1991]``; a source that a text names with its year, as in
"Theobald (1981)" or "Kitamura et al. 2014", is recognised without a mark. DOIs were written from memory, and only
where the memory was sure; the others are left empty.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

DOI_NOTE = "Bibliographic details and DOIs are from memory: check them before you cite them elsewhere."


@dataclass(frozen=True)
class Source:
    """One source.

    Attributes
    ----------
    authors, year, title, where : str
        `title` is empty where it is not known to us.
    standing : str
        How it was read: ``"read"``, ``"read as digitised"``, ``"read in a secondary source"``, ``"definitions read"``,
        ``"criteria read"``, ``"abstract read"`` or ``"from memory"``.
    doi : str
        Empty where there is none, or none that we are sure of.
    names : str
        Regular expression of how texts name it; the first author and the year by default.
    """

    authors: str
    year: str
    title: str
    where: str
    standing: str
    doi: str = ""
    names: str = ""

    @property
    def pattern(self) -> str:
        """Regular expression that finds the source in a text."""
        surname = re.escape(self.authors.split(",")[0].split(" and ")[0])
        between = r"(?:'s)?(?:(?:,? (?:&|and) [^\W\d]+)?(?: et al\.)?)(?: table| law)?,? \(?"
        return self.names or rf"\b{surname}{between}{self.year}\b\)?"

    def reference(self) -> str:
        """The entry of a list of references, with how the source was read."""
        parts = (f"{self.authors} ({self.year})" if self.year else self.authors, self.title, self.where)
        text = ". ".join(part.rstrip(".") for part in parts if part)
        link = f" https://doi.org/{self.doi}." if self.doi else ""
        return f"{text}.{link} [{self.standing}]"


_MEMORY, _ABSTRACT, _SECOND = "from memory", "abstract read", "read in a secondary source"
_EMS, _CPC = "Environmental Modelling & Software", "Computer Physics Communications"
BIBLIOGRAPHY = {
    # Streams of water
    "theobald1981": Source(
        "Theobald, C.",
        "1981",
        "The effect of nozzle design on the stability and performance of turbulent water jets",
        "Fire Safety Journal 4, 1-13",
        "read as digitised",
    ),
    "theobald1984": Source("Theobald, C.", "1984", "", "Fire Safety Journal 7, 177", _ABSTRACT),
    "freeman1889": Source(
        "Freeman, J. R.",
        "1889",
        "Experiments relating to hydraulics of fire streams",
        "Transactions of the American Society of Civil Engineers 21",
        "criteria read; rows from memory",
        names=r"\bFreeman(?:'s)?(?: [^.;()]{0,40})?,? \(?1889(?:, from memory)?\)?",
    ),
    "lueger": Source(
        "Lueger, O. (editor)",
        "",
        "Encyclopaedia of all technology: greatest height of a fire stream",
        "",
        _MEMORY,
        names=r"\bLueger's (?:formula|technical encyclopaedia)",
    ),
    "comiskey2018": Source(
        "Comiskey, P. M. and Yarin, A. L.",
        "2018",
        "",
        "Experiments in Fluids 59(4)",
        _ABSTRACT,
        names=r"\bComiskey (?:&|and) Yarin,? \(?2018\)?",
    ),
    "shang2021": Source(
        "Shang and others",
        "2021",
        "",
        "Journal of Testing and Evaluation 49, 435",
        _ABSTRACT,
        names=r"\bShang et al\.,? \(?2021\)?",
    ),
    "trettel2015": Source(
        "Trettel, B. and Ezekoye, O. A.",
        "2015",
        "",
        "ASME International Mechanical Engineering Congress",
        _ABSTRACT,
        names=r"\bTrettel (?:&|and) Ezekoye,? \(?2015\)?",
    ),
    "nguyen2024": Source(
        "Nguyen and others", "2024", "", "Fire Technology 60, 1627", _ABSTRACT, names=r"\bNguyen et al\.,? \(?2024\)?"
    ),
    "murakami1966": Source(
        "Murakami, M. and Katayama, K.",
        "1966",
        "Discharge coefficients of fire nozzles",
        "Journal of Fluids Engineering 88, 706",
        _ABSTRACT,
    ),
    "astm_f1546": Source(
        "ASTM",
        "",
        "Standard specification for fire hose nozzles",
        "ASTM F1546",
        "definitions read",
        names=r"\bASTM F1546\b",
    ),
    "grimwood": Source(
        "Grimwood, P.", "", "Working limits of 60, 75 and 95 lbf of nozzle reaction", "", _SECOND, names=r"\bGrimwood\b"
    ),
    "handbooks": Source(
        "Fire-service handbooks",
        "",
        "Flow, reaction and friction formulas of the trade",
        "",
        _MEMORY,
        names=r"\b[Hh]andbooks?,? \(?from memory\)?",
    ),
    "weisbach": Source(
        "Weisbach, J.", "", "Loss of a plug cock, as given in a handbook table", "", _SECOND, names=r"\bWeisbach\b"
    ),
    "idelchik": Source("Idelchik, I. E.", "", "Handbook of hydraulic resistance", "", _SECOND, names=r"\bIdelchik\b"),
    "rossman2000": Source(
        "Rossman, L. A.",
        "2000",
        "Users manual of a network solver: friction formulas",
        "",
        _MEMORY,
        names=r"\bRossman\b",
    ),
    # Breakup, turbulence and drops
    "kusui1969": Source("Kusui, T.", "1969", "", "", _SECOND),
    "chen1962": Source(
        "Chen, T.-F. and Davis, J. R.",
        "1964",
        "Disintegration of a turbulent water jet (data of 1962)",
        "Journal of the Hydraulics Division",
        _SECOND,
        names=r"\bChen 1962\b",
    ),
    "grant1965": Source("Grant, R. P.", "1965", "Newtonian jet stability", "", _SECOND),
    "phinney1975": Source(
        "Phinney, R. E.", "1975", "Breakup of a turbulent liquid jet in a low-pressure atmosphere", "", _SECOND
    ),
    "shimizu1984": Source("Shimizu, M. and others", "1984", "", "", _SECOND, names=r"\bShimizu et al\.,? \(?1984\)?"),
    "arai1985": Source("Arai, M. and others", "1985", "", "", _SECOND, names=r"\bArai et al\.,? \(?1985\)?"),
    "sallam2002": Source(
        "Sallam, K. A., Dai, Z. and Faeth, G. M.",
        "2002",
        "Liquid breakup at the surface of turbulent round liquid jets in still gases",
        "International Journal of Multiphase Flow 28, 427-449",
        _SECOND,
        names=r"\bSallam et al\.,? \(?2002\)?",
    ),
    "wu1992": Source(
        "Wu, P.-K., Tseng, L.-K. and Faeth, G. M.",
        "1992",
        "Primary breakup in gas/liquid mixing layers for turbulent liquids",
        "Atomization and Sprays 2, 295-317",
        _SECOND,
        names=r"\bWu et al\.,? \(?1992\)?|\bWu 1992\b",
    ),
    "kitamura2014": Source(
        "Kitamura, T. and others",
        "2014",
        "On invariants in grid turbulence at moderate Reynolds numbers",
        "Journal of Fluid Mechanics",
        _ABSTRACT,
        names=r"\bKitamura et al\.,? \(?2014\)?",
    ),
    "gunn1949": Source(
        "Gunn, R. and Kinzer, G. D.",
        "1949",
        "The terminal velocity of fall for water droplets in stagnant air",
        "Journal of Meteorology 6, 243-248",
        _SECOND,
        "10.1175/1520-0469(1949)006<0243:TTVOFF>2.0.CO;2",
        names=r"\bGunn (?:&|and) Kinzer,? \(?1949\)?",
    ),
    "abraham1970": Source(
        "Abraham, F. F.",
        "1970",
        "Functional dependence of drag coefficient of a sphere on Reynolds number",
        "Physics of Fluids 13, 2194",
        _MEMORY,
        "10.1063/1.1693218",
    ),
    # Water and air
    "kell1975": Source(
        "Kell, G. S.",
        "1975",
        "Density, thermal expansivity, and compressibility of liquid water from 0 to 150 C",
        "Journal of Chemical and Engineering Data 20, 97-105",
        _MEMORY,
        "10.1021/je60064a005",
    ),
    "iapws_r1_76": Source(
        "International Association for the Properties of Water and Steam",
        "2014",
        "Surface tension of ordinary water substance",
        "IAPWS R1-76",
        _MEMORY,
        names=r"\bIAPWS R1-76\b",
    ),
    "atmosphere1976": Source(
        "US Standard Atmosphere",
        "1976",
        "",
        "NOAA, NASA and USAF",
        _MEMORY,
        names=r"\bUS Standard Atmosphere,? \(?1976\)?",
    ),
    # Sensitivity, calibration and statistics
    "sobol2001": Source(
        "Sobol', I. M.",
        "2001",
        "Global sensitivity indices for nonlinear mathematical models and their Monte Carlo estimates",
        "Mathematics and Computers in Simulation 55, 271-280",
        _MEMORY,
        "10.1016/S0378-4754(00)00270-6",
        names=r"\bSobol' (?:indices|index)\b",
    ),
    "sobol1995": Source(
        "Archer, G. E. B., Saltelli, A. and Sobol', I. M.",
        "1997",
        "Sensitivity measures, ANOVA-like techniques and the use of bootstrap (test function of Sobol' 1995)",
        "Journal of Statistical Computation and Simulation 58, 99-120",
        _MEMORY,
        names=r"\bSobol' 1995\b",
    ),
    "saltelli2002": Source(
        "Saltelli, A.",
        "2002",
        "Making best use of model evaluations to compute sensitivity indices",
        f"{_CPC} 145, 280-297",
        _MEMORY,
        "10.1016/S0010-4655(02)00280-1",
    ),
    "saltelli2010": Source(
        "Saltelli, A. and others",
        "2010",
        "Variance based sensitivity analysis of model output: design and estimator for the total sensitivity index",
        f"{_CPC} 181, 259-270",
        _MEMORY,
        "10.1016/j.cpc.2009.09.018",
    ),
    "azzini2021": Source(
        "Azzini, I., Mara, T. A. and Rosati, R.",
        "2021",
        "Comparison of two sets of Monte Carlo estimators of Sobol' indices",
        f"{_EMS} 144, 105167",
        _MEMORY,
        names=r"\bAzzini, Mara & Rosati,? \(?2021\)?",
    ),
    "jansen1999": Source(
        "Jansen, M. J. W.",
        "1999",
        "Analysis of variance designs for model output",
        f"{_CPC} 117, 35-43",
        _MEMORY,
        "10.1016/S0010-4655(98)00154-4",
    ),
    "morris1991": Source(
        "Morris, M. D.",
        "1991",
        "Factorial sampling plans for preliminary computational experiments",
        "Technometrics 33, 161-174",
        _MEMORY,
        "10.1080/00401706.1991.10484804",
        names=r"\bMorris,? \(?1991\)?|\bMorris'? (?:elementary effects|trajectories|design)",
    ),
    "campolongo2007": Source(
        "Campolongo, F., Cariboni, J. and Saltelli, A.",
        "2007",
        "An effective screening design for sensitivity analysis of large models",
        f"{_EMS} 22, 1509-1518",
        _MEMORY,
        "10.1016/j.envsoft.2006.10.004",
        names=r"\bCampolongo et al\.,? \(?2007\)?",
    ),
    "pianosi2018": Source(
        "Pianosi, F. and Wagener, T.",
        "2018",
        "Distribution-based sensitivity analysis from a generic input-output sample",
        f"{_EMS} 108, 197-207",
        _MEMORY,
        "10.1016/j.envsoft.2018.07.019",
        names=r"\bPianosi (?:&|and) Wagener,? \(?2018\)?|\bPAWN\b",
    ),
    "zadeh2017": Source(
        "Khorashadi Zadeh, F. and others",
        "2017",
        "Comparison of variance-based and moment-independent global sensitivity analysis approaches",
        f"{_EMS} 91, 210-222",
        _MEMORY,
        names=r"\bZadeh et al\.,? \(?2017\)?",
    ),
    "hornberger1981": Source(
        "Hornberger, G. M. and Spear, R. C.",
        "1981",
        "An approach to the preliminary analysis of environmental systems",
        "Journal of Environmental Management 12, 7-18",
        _MEMORY,
        names=r"\bHornberger (?:&|and) Spear,? \(?1981\)?",
    ),
    "holm1979": Source(
        "Holm, S.",
        "1979",
        "A simple sequentially rejective multiple test procedure",
        "Scandinavian Journal of Statistics 6, 65-70",
        _MEMORY,
        names=r"\bHolm's method|\bHolm 1979\b",
    ),
    "ishigami1990": Source(
        "Ishigami, T. and Homma, T.",
        "1990",
        "An importance quantification technique in uncertainty analysis for computer models",
        "International Symposium on Uncertainty Modeling and Analysis",
        _MEMORY,
        names=r"\bIshigami (?:&|and) Homma,? \(?1990\)?",
    ),
    "gelman2013": Source(
        "Gelman, A. and others",
        "2013",
        "Bayesian Data Analysis, third edition",
        "CRC Press",
        _MEMORY,
        names=r"\bGelman et al\.,? \(?2013\)?",
    ),
    "vehtari2021": Source(
        "Vehtari, A. and others",
        "2021",
        "Rank-normalization, folding, and localization: an improved R-hat for assessing convergence of MCMC",
        "Bayesian Analysis 16, 667-718",
        _MEMORY,
        names=r"\bVehtari et al\.,? \(?2021\)?",
    ),
    "geyer1992": Source(
        "Geyer, C. J.",
        "1992",
        "Practical Markov chain Monte Carlo",
        "Statistical Science 7, 473-483",
        _MEMORY,
        names=r"\bGeyer,? \(?1992\)?",
    ),
    "cotter2013": Source(
        "Cotter, S. L. and others",
        "2013",
        "MCMC methods for functions: modifying old algorithms to make them faster",
        "Statistical Science 28, 424-446",
        _MEMORY,
        "10.1214/13-STS421",
        names=r"\bCotter et al\.,? \(?2013\)?",
    ),
    "kutta1901": Source(
        "Kutta, W.",
        "1901",
        "Beitrag zur näherungsweisen Integration totaler Differentialgleichungen",
        "Zeitschrift für Mathematik und Physik 46, 435-453",
        _MEMORY,
        names=r"\bKutta,? \(?1901\)?",
    ),
    "talts2018": Source(
        "Talts, S. and others",
        "2018",
        "Validating Bayesian inference algorithms with simulation-based calibration",
        "arXiv:1804.06788",
        _MEMORY,
        names=r"\bTalts et al\.,? \(?2018\)?",
    ),
    "hairer1993": Source(
        "Hairer, E., Nørsett, S. P. and Wanner, G.",
        "1993",
        "Solving Ordinary Differential Equations I",
        "Springer",
        _MEMORY,
        names=r"\bHairer, N[oø]rsett (?:&|and) Wanner,? \(?1993\)?|\bDormand (?:&|and) Prince\b",
    ),
}
_MARK = re.compile(r" ?\[(@[a-z0-9_]+(?:; ?@[a-z0-9_]+)*)\]")
_NAMED = {key: re.compile(source.pattern) for key, source in BIBLIOGRAPHY.items()}


def source(key: str) -> Source:
    """Look up a source.

    Raises
    ------
    ValueError
        There is no such key: a citation that resolves to nothing is a mistake of the program.
    """
    if key not in BIBLIOGRAPHY:
        raise ValueError(f"no source {key!r} in the bibliography")
    return BIBLIOGRAPHY[key]


def cite(keys: Iterable[str]) -> list[str]:
    """References of these sources in their order, as a list numbers them from 1."""
    return [source(key).reference() for key in dict.fromkeys(keys)]


@dataclass
class Citations:
    """Numbers of the sources that a document cites, in the order in which its texts first name them."""

    keys: list[str] = field(default_factory=list)

    def number(self, key: str) -> int:
        """The number of a source, given at its first use."""
        source(key)
        if key not in self.keys:
            self.keys.append(key)
        return self.keys.index(key) + 1

    def numbers(self, keys: Sequence[str]) -> str:
        """Numbers in brackets, such as ``[1, 3]``."""
        return f"[{', '.join(str(self.number(key)) for key in keys)}]"

    def text(self, text: str) -> str:
        """A text with numbers in the place of its marks, and behind every source that it names.

        Examples
        --------
        >>> Citations().text("Fitted to Theobald (1981) and to others [@freeman1889; @theobald1981].")
        'Fitted to Theobald (1981) [1] and to others [2, 1].'
        """
        named = [(match.end(), match.end(), [key]) for key, pattern in _NAMED.items()
                 for match in [pattern.search(text)] if match]  # fmt: skip
        marks = [(mark.start(), mark.end(), re.findall(r"\w+", mark[1])) for mark in _MARK.finditer(text)]
        pieces, at = [], 0
        for start, end, keys in sorted([*named, *marks]):
            pieces += [text[at:start], f" {self.numbers(keys)}"]
            at = end
        return "".join([*pieces, text[at:]])

    def references(self) -> list[str]:
        """The list of references, number 1 first."""
        return cite(self.keys)
