package demo

const readme = `Invented for Sapward's demo: no such estate, tree, product or person exists.

avenue/    a town avenue of 164 elms on 1.2 ha, facing a vascular wilt
           trees.csv      every trunk, taped at 1.37 m
           tape.csv       ten trunks only, as it is often done
           card.yaml      Invented Product A, by injection or infusion
           wounds.csv     holes of 2024 and 2025
           obstacles.csv  arcs of the trunk where no port may go
           limbs.csv      limbs of the largest trees
           history.csv    earlier treatments
           forecast.csv   five days of hourly weather
           climate.csv    monthly means of the site
           assays.csv     residues found in two elms that were infused
           day.yaml       a finished day at three elms, to be recorded:
                          sapward record new avenue/day.yaml
                          --card avenue/card.yaml --by "crew lead" --out r.json
chestnut/  96 bearing sweet chestnuts on 2.4 ha, facing a root disease
           trees.csv, card.yaml (Invented Product B)
           strip.csv      45 young trees at the edge, followed two seasons
           ratings.csv    what was seen of them on twelve visits
           deaths.csv     which of them died, and when
           residues.csv   what a laboratory found in ten of them
           closure.csv    how far the holes of twelve of them have closed
           results.csv    the strip as a trial: crown wilt on the last visit
           about.csv      what the trial's report tells of the place

commands.txt lists the commands that "sapward demo" runs here, one a line.
`

const commands = `sample avenue/tape.csv --card avenue/card.yaml --method injection --block-trees 164
plan avenue/trees.csv --card avenue/card.yaml --method injection --site elm --target "vascular wilt" --territory DEMO --on 2026-06-17 --area_ha 1.2 --bloom no --certificate-valid-to 2027-12-31 --wounds avenue/wounds.csv --obstacles avenue/obstacles.csv --limbs avenue/limbs.csv --history avenue/history.csv --crew 3 --zone Europe/Madrid --weather avenue/forecast.csv --lat 45.9 --elevation_m 210 --out avenue/plan
weather avenue/forecast.csv --lat 45.9 --elevation_m 210 --zone Europe/Madrid --card avenue/card.yaml --method injection --bloom no
compare avenue/trees.csv --card avenue/card.yaml --site elm --target "vascular wilt" --territory DEMO --on 2026-06-17 --area_ha 1.2 --bloom no --certificate-valid-to 2027-12-31 --wounds avenue/wounds.csv --obstacles avenue/obstacles.csv --limbs avenue/limbs.csv --history avenue/history.csv --crew 3 --zone Europe/Madrid --climate avenue/climate.csv --lat 45.9 --elevation_m 210 --foliage 4-10 --effective "0.5 mg/L sap" --name avenue --out avenue/compare
plan chestnut/trees.csv --card chestnut/card.yaml --method injection --site "sweet chestnut" --target "root rot" --territory DEMO --on 2026-06-15 --area_ha 2.4 --bloom after --certificate-valid-to 2027-12-31 --harvest-from 2026-10-05 --out chestnut/plan
ratings chestnut/ratings.csv
survival chestnut/deaths.csv
decline chestnut/residues.csv --effective "0.4 mg/kg" --min-interval-d 60
trial design chestnut/strip.csv --treatments untreated,injection,infusion --control untreated --replicates 15 --block-by order --pre-rated --blinded --seed 785264 --name "Strip (invented)" --out chestnut/trial
trial analyse chestnut/results.csv --value wilt_pct --layout chestnut/trial/layout.json --about chestnut/about.csv --out chestnut/trial-report
`

// about is what the report of the strip's trial tells of the place.
const about = `field,text
purpose,Does injection or infusion hold a root disease of young chestnuts over two seasons? Invented.
site,"Edge of the chestnut block, Demo estate. Invented."
species,Castanea sativa
spacing,8 m by 8 m
age,12 years
growth,Full leaf
gross_plot,One tree
net_plot,One tree
test_product,"Invented Product B, by injection and by infusion, once, on day 0"
target,Root rot
infection,Natural
variables,"Crown wilt in percent of the crown; a tree dead of the disease counts 100"
dates,"Twelve visits, day 0 to day 470; analysed: day 470"
assessor,Crew lead; plots were known by number only
`

// climate is the mean day of each month where the avenue stands.
const climate = `month,tmin_c,tmax_c,rhmean_pct,wind_ms,sunshine_h
1,-1,6,80,1.8,2.8
2,0,8,76,1.9,4.0
3,3,13,70,2.1,5.4
4,6,17,68,2.2,6.4
5,10,21,68,2.0,7.3
6,14,26,65,1.9,8.6
7,16,29,62,1.8,9.6
8,16,28,65,1.7,8.7
9,12,24,70,1.7,6.7
10,8,18,78,1.7,4.7
11,3,11,82,1.8,3.1
12,0,7,83,1.8,2.4
`

// assays are residues of last season's infusion of two elms.
const assays = `tree,day,mg_kg,detection_limit,height_m,azimuth_deg,tissue
F035,30,61,0.05,3,12,wood
F035,30,24,0.05,3,28,wood
F035,30,35,0.05,9,12,wood
F035,30,19,0.05,9,28,wood
F035,90,7.4,0.05,3,12,wood
F035,90,22,0.05,9,20,wood
F035,90,27,0.05,13,28,wood
E032,30,48,0.05,3,190,wood
E032,30,9.8,0.05,3,205,wood
E032,30,16,0.05,9,190,wood
E032,90,nd,0.05,1.5,190,wood
E032,90,18,0.05,9,205,wood
E032,90,31,0.05,13,190,wood
E032,120,12,0.05,9,198,wood
`

const cardA = `schema: sapward/label-card/1
product:
  name: Invented Product A
  invented: true
  registration: {number: DEMO-0001, territory: [DEMO], valid: 2026-01-01/2030-12-31}
  restricted_use: true
  density: 1.04 g/mL
  active: [{name: invented active a, content: 200 g/L, class: triazole}]
verified: {entered_by: adviser, entered_on: 2026-02-01, checked_by: crew lead, checked_on: 2026-02-03}
uses:
  - method: injection
    sites: [{name: elm, code: 1ULMG, food: false}]
    targets: [vascular wilt]
    measure: {at: 1.37 m, stems: each}
    tree: {min: 10 cm, max: 120 cm, crown_loss_max: 10 %}
    rate: {per: diameter, low: 2.5 mL/cm, high: 3.5 mL/cm}
    ports: {place: [root flare, trunk], spacing: [10 cm, 16 cm], volume: [2 mL, 20 mL], hole: 6 mm, sapwood_depth: [12 mm, 35 mm]}
    limits: {applications: 1 per year, year: rolling, interval: 330 d, active_per_area: 4000 g/ha per year}
    timing: {months: [5, 6, 7, 8, 9], temperature: [8 °C, 32 °C], bloom: not in bloom}
    rei: 12 h
    phi: not for food
  - method: infusion
    sites: [{name: elm, code: 1ULMG, food: false}]
    targets: [vascular wilt]
    measure: {at: 1.37 m, stems: each}
    tree: {min: 15 cm, max: 150 cm}
    rate: {per: diameter, low: 2.5 mL/cm, high: 3.5 mL/cm}
    dilution: {mix_per: 1.0 L/cm, concentration: [2 mL/L, 4 mL/L], mix_life: 24 h}
    ports: {place: [root flare], spacing: [6 cm, 12 cm], hole: 5 mm, sapwood_depth: [10 mm, 25 mm]}
    pressure: {max: 200 kPa}
    limits: {applications: 1 per year, year: rolling, interval: 700 d, active_per_area: 4000 g/ha per year}
    rei: 12 h
    phi: not for food
safety:
  ppe:
    mix: [chemical-resistant gloves, face shield, coverall, boots]
    apply: [chemical-resistant gloves, eye protection, coverall, boots]
  first_aid: Invented text. Rinse with water first, then call the number on the container.
  emergency_number: "000-DEMO"
  storage: Invented text. Locked, dry, above freezing.
  disposal: Invented text. Triple rinse; follow the container.
statements:
  - {force: mandatory, text: "Invented text. Do not treat trees that stand in water.", page: 4}
  - {force: advisory, text: "Invented text. Uptake is best in the morning.", page: 5}
`

const cardB = `schema: sapward/label-card/1
product:
  name: Invented Product B
  invented: true
  registration: {number: DEMO-0002, territory: [DEMO], valid: 2025-06-01/2029-12-31}
  restricted_use: false
  density: 1.32 g/mL
  active: [{name: invented active b, content: 45 % w/w, class: phosphonate}]
verified: {entered_by: adviser, entered_on: 2026-02-01, checked_by: crew lead, checked_on: 2026-02-03}
uses:
  - method: injection
    sites: [{name: sweet chestnut, code: CSNSA, food: true, bearing: any}]
    targets: [root rot]
    measure: {at: 1.30 m, stems: each}
    tree: {min: 10 cm, max: 90 cm, crown_loss_max: 40 %}
    rate: {per: canopy diameter, low: 12 mL/m, high: 15 mL/m}
    ports: {place: [trunk], spacing: [10 cm, 25 cm], volume: [5 mL, 20 mL], hole: 6 mm, sapwood_depth: [15 mm, 30 mm]}
    limits: {applications: 2 per year, year: calendar, interval: 60 d, per_year: 300 mL}
    timing: {months: [3, 4, 5, 6, 7, 8, 9], temperature: [5 °C, 32 °C], bloom: after petal fall}
    rei: 24 h
    phi: 120 d
    without_drilling: "Invented text. A trunk spray in spring is allowed as well."
    page: 6
safety:
  ppe:
    mix: [chemical-resistant gloves, eye protection]
    apply: [chemical-resistant gloves, eye protection]
  first_aid: Invented text. Rinse with water first, then call the number on the container.
  emergency_number: "000-DEMO"
statements:
  - {force: mandatory, text: "Invented text. Do not harvest fallen nuts before the interval has passed.", page: 3}
`
