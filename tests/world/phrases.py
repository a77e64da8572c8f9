"""Words of customers, dispatchers and technicians. `{place}` and `{air}` are filled in; `|` parts alternatives."""


def _bank(text: str) -> dict[str, tuple[str, ...]]:
    """Lines of `key: wording | wording`."""
    bank = {}
    for line in text.strip().splitlines():
        key, _, rest = line.partition(":")
        bank[key.strip()] = tuple(part.strip() for part in rest.split("|"))
    return bank


COMPLAINTS = _bank("""
lockout: no cooling | {place} warm | {place} is getting hot | unit not running | ac down in {place} | high temp alarm {place} | unit off, fault light on | not cooling since last night | {place} too warm, please send someone | unit in alarm | customer reports no cool | temp alarm came in overnight | compressor not coming on | unit locked out again | same unit down again
was out: {place} was hot this morning, seems ok now | unit was off during the night | temp alarm cleared but wants it looked at | intermittent no cooling | unit quits at night | was down when we opened, now running
short cycling: unit keeps starting and stopping | short cycling | hear it click on and off all day | comp starts then stops after a minute | cycling on and off
not keeping up: not keeping up | {place} warm in afternoon | not cooling well | runs all day and cant hold temp | weak cooling {place} | no cooling | temp creeping up in {place}
trips in heat: trips in the afternoon | unit off, breaker or something | hi pressure alarm | no cooling when hot outside | had to reset twice this week | not cooling
iced: ice on the lines | water dripping from ceiling in {place} | coil frozen | no air from vents | little air in {place} | not cooling, frost on pipe
no cooling: no cooling | {place} warm | unit not running | ac not working | compressor not coming on | high temp alarm {place}
erratic: stat reads wrong | runs when it should be off | {place} too cold | no response from controller | comes on and off by itself | not cooling, display blank
stuffy: stuffy in {place} | no fresh air | humidity complaint {place} | damper noise
heating: no heat | furnace not lighting | {place} cold | burner locked out | blowing cold air | heat not coming on, smell of gas earlier
other: belt squeal | rattling noise on roof | water leak below unit | thermostat battery | filter change request | panel blown off by wind | smell from vents | breaker tripped once | move thermostat | noisy fan | quarterly reading wrong | drain backed up
planned: PM | scheduled maintenance | spring pm | fall pm | quarterly inspection | filters and coils | seasonal start up
return: return with parts | go back, parts in | finish job from last visit | follow up work
quote: customer wants price | quote for work proposed
""")

FINDINGS = _bank("""
found lp tripped: low pressure switch open | tripped on LP | found unit off on low press | LPS open, suction sitting under reset | board showing low pressure lockout | low side tripped | LP fault in history | off on lps | low suction cutout
running on arrival: unit running on arrival | was running when i got there | cooling fine on arrival, no faults found | up and running, could not duplicate
found no head control: no head pressure control on this unit | has no low ambient kit | unit never had low ambient control, head falls with outdoor temp | no fan cycle switch fitted, fans run full in the cold
found head control out: fan cycling control jumped out | head pressure control bypassed, both fans run all the time | low ambient control not working, fans never cycle off | somebody wired around the fan control | fan speed control failed full speed, head way down
control judged too weak: fan control cant hold head in this cold | staging keeps one fan on, head still too low | low ambient control not enough for {air} deg
found lp switch jumpered: LP switch jumpered | found a jumper across low pressure switch | somebody tied the two lps wires together | low pressure control bypassed
found low charge: low on refrigerant | undercharged, leak at flare | found oil at service valve, low on gas | leak in evap coil, system short | superheat high subcooling low, undercharged
found metering restricted: txv not feeding | valve stuck, starving evap | plugged drier, big temp drop | restricted metering device
found condenser restricted: condenser coil plugged | cond coil dirty | cottonwood on coil, head high | dirty outdoor coil
found condenser fan out: condenser fan motor bad | cond fan not turning, cap blown | one outdoor fan out | outdoor fan seized
found airflow or icing: filters plugged, coil iced | evap iced over, dirty filter | blower belt broken, coil froze | low airflow, filters packed
found compressor failing: compressor valves weak, wont pump down | comp drawing high amps, tripping overload | compressor noisy and weak
found controls: bad thermostat | loose wire on control board | sensor reading off | bad 24v transformer | relay sticking
found economizer idle: economizer stuck shut | damper actuator dead, no free cooling | economizer linkage broken | outside air damper disconnected
found ambient setting holds off: controller locks cooling out below {setting} outdoor | low ambient lockout set at {setting} | compressor lockout temp set too high
cause not found: could not find a cause | checked pressures, normal for the day | all readings ok | nothing wrong found
heating attended: flame sensor dirty | ignitor bad | no gas pressure at unit | pressure switch hose off | limit open, dirty filter
other attended: belt worn | drain plugged | loose panel | fan blade rubbing | batteries dead | nothing wrong, explained to customer | filter slid out of rack
maintained: checked operation | all readings in range | unit in fair shape | amps and pressures taken | coils fair
nothing left to do: already working | already taken care of | no further work needed
""")

ACTIONS = _bank("""
reset: reset lockout | reset and ran | reset board, unit started | pushed reset, back on line | cleared fault and restarted
power cycled: cycled power | power cycled disconnect, unit came back | killed power 5 min and restarted | bumped the breaker
added refrigerant: added {pounds} lb | topped off charge | added some gas to bring suction up | put in {pounds}# refrigerant
recharged: recharged to nameplate, leak to be found later | added {pounds} lbs, customer to decide on leak search | weighed in charge, leak not located
leak repaired: repaired leak, evacuated, charged by weight | fixed leak at flare and recharged | brazed leak, vac to 400 microns, charged
metering replaced: replaced txv | changed valve and drier | new expansion valve and drier installed
condenser cleaned: washed condenser | cleaned cond coil | hosed off outdoor coil
fan replaced: replaced cond fan motor and cap | new fan motor installed | changed motor and blade
airflow restored: changed filters, thawed coil | new filters, de-iced | replaced belt, cleaned coil
compressor replaced: replaced compressor and contactor | new comp, drier, acid test ok | changed out compressor
controls repaired: replaced thermostat | tightened connections | replaced sensor | new transformer | changed relay
economizer freed: freed damper and lubed | replaced actuator | reconnected linkage, economizer works
ambient setting changed: lowered lockout setting | changed ambient setting to 0 | disabled low ambient lockout in controller
jumper removed: removed jumper | took jumper off LP switch and rewired | put low pressure switch back in circuit
head control reconnected: reconnected fan control, fans cycle now | replaced fan cycling switch | put head pressure control back in, holding head | new low ambient control installed and set
head control fitted: installed low ambient kit | fitted fan speed control and wind baffles | added head pressure control, set and tested
head control bypassed: cond fans would not start, jumped out fan switch | bypassed fan control to get fans going | fan not coming on, wired around control | fan cycle switch bad, tied fan on
lp switch jumpered: jumpered LP switch to keep running | bypassed low pressure for now | jumped lps, will be back
lp switch replaced: replaced low pressure switch | new LPS installed | changed lp control
contactor replaced: replaced contactor | contacts burnt, new contactor
drier replaced: changed filter drier
board replaced: replaced control board | new board, setup done
ambient lockout enabled: set controller to lock out compressor in cold | enabled low ambient lockout so it stops tripping
quoted head control: recommend low ambient kit, quote to follow | office to quote head pressure control | needs low ambient control, told customer
parts ordered: parts on order | will return with part | ordered part
heating attended: cleaned flame sensor, fires ok | replaced ignitor | heat running | reset gas valve
other attended: fixed | adjusted and lubed | cleared drain | secured panel | replaced belt | done
maintained: pm complete | filters changed, coils checked, belts ok | cleaned and checked | greased, filters, amps logged
""")

CLOSINGS = ("ran ok on departure", "cooling when i left", "ok at this time", "unit running on departure", "all ok", "running and cooling, {air} deg out", "watched 2 cycles, ok", "temps coming down")
NOTHING = ("", "", "ok", "see ticket", "checked unit", "done", "n/a", "serviced", "checked and ok", "unit running", "cust happy", ".")
NEGATIONS = ("no leaks found", "no jumper on lp switch", "did not need refrigerant", "not low on gas", "no fault codes", "fan control checks ok", "coil not dirty", "airflow ok, filters clean", "did not find any restriction", "switch not bad")
FILLERS = ("checked amps and volts", "took pressures", "spoke with {who}", "roof icy", "had to wait for key", "checked contactor and wiring", "{air} deg outside", "cleaned up", "left note for manager", "checked operation both stages")
WHO = ("manager", "front desk", "maintenance man", "IT", "owner", "security")

ABBREVIATIONS: dict[str, tuple[str, ...]] = {
    "low pressure": ("LP", "lo press", "low press", "low pressure", "low psi"),
    "compressor": ("comp", "compr", "compressor", "cmpsr"),
    "condenser": ("cond", "condensor", "condenser"),
    "refrigerant": ("gas", "ref", "refrig", "refrigerant", "freon"),
    "head pressure": ("head press", "HP ctl", "head pressure", "hd press"),
    "replaced": ("repl", "replaced", "rplcd", "changed out"),
    "checked": ("chkd", "ck'd", "checked"),
    "thermostat": ("tstat", "t-stat", "stat", "thermostat"),
    "temp": ("temp", "tmp"),
    "low ambient": ("low amb", "LA", "low ambient", "lo-amb"),
    "installed": ("inst", "installed", "put in"),
    "economizer": ("econo", "economizer", "econ"),
    "return": ("rtn", "return"),
    "customer": ("cust", "customer"),
}
OTHER_CAUSES = (
    "found low charge|added refrigerant",
    "found controls|controls repaired",
    "found airflow or icing|airflow restored",
    "found condenser restricted|condenser cleaned",
    "cause not found|contactor replaced",
    "found compressor failing|parts ordered",
    "found metering restricted|drier replaced",
)
