package demo

// finishedDay is a day at three elms as its lead would write it down for the
// application record.
const finishedDay = `# Invented: a finished day at the demo's avenue. No such place, product or person exists.
regimes: [us-tx, eu-2023-564]
products:
  - rate: {amount: 3 mL/cm, basis: diameter}
    mix: {none: injected undiluted}
    sds: folder 3, at the office
    containers: [C-17]
work:
  start: 2026-06-17T08:05:00+02:00
  end: 2026-06-17T12:40:00+02:00
  zone: Europe/Madrid
  method: injection
  equipment: hand syringes with check valves
  type_of_use: open
place:
  field: avenue, north side
  parcel: DEMO-0007
  lat: 45.9002
  lon: -0.2501
area: 0.03 ha
trees_planted: 164
people:
  applicator: {name: Certified applicator (invented), number: DEMO-C-100, expires: 2027-12-31}
  appliers: [{name: Crew member 1 (invented)}, {name: Crew member 2 (invented)}]
  customer: {name: Estate manager (invented)}
weather: {temperature: 21 Cel, wind_speed: 2.5 m/s, wind_direction: NNW, source: own readings at 08:00}
permits: {permit: {none: no permit is asked for here}}
training: folder 4, at the office
trees:
  - {tree: E001, group: large, diameter_cm: 39.4, measured_at_m: 1.37, ports: 9, lat: 45.90021, lon: -0.25012, accuracy_m: 4, load: A, sequence: 1, amounts: [{product: 0, product_ml: 118.5, leaked_ml: 1.5}]}
  - {tree: E027, group: small, diameter_cm: 30, measured_at_m: 1.37, ports: 7, lat: 45.90028, lon: -0.25003, accuracy_m: 4, load: A, sequence: 2, amounts: [{product: 0, product_ml: 90, leaked_ml: 0}]}
  - {tree: E075, group: small, diameter_cm: 24.2, measured_at_m: 1.37, ports: 6, load: A, sequence: 3, amounts: [{product: 0, product_ml: 73, leaked_ml: 0}]}
`
