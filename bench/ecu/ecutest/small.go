package ecutest

// Small is a small good unit; tests of what is refused alter one thing of it.
const Small = `ecu: small
addresses: {request: 0x7E0, response: 0x7E8, functional: 0x7DF}
power:
  powered: {signal: powered, is: 1}
  cycle: {signal: key, at_least: 2}
sessions:
  - {session: default, id: 0x01}
  - {session: extended, id: 0x03}
services:
  - {service: 0x10}
  - {service: 0x31, in: [extended]}
security:
  - {level: 1, secret: 7}
slow:
  - {service: 0x22, takes: 1s}
obd:
  pids:
    - {pid: 0x0C, name: speed, fields: [{signal: rpm, per_bit: 0.25, bytes: 2}]}
  infotypes:
    - {type: 0x02, items: 1, fields: [{text: vin, bytes: 17}]}
  freeze_frame: [0x0C]
  results: [{mid: 0x21, tid: 0x80, uas: 0x2F, code: P0102, signal: rpm, at_least: 1, at_most: 9}]
  tests: [{tid: 0x01, lasts: 1m, sets: [{output: vent, value: 1}]}]
memory:
  readiness: [components]
  enable: [{monitor: components, when: [{signal: key, at_least: 2}], for: 3s}]
dids:
  - {did: 0xF190, fields: [{text: vin, bytes: 17}], write: {in: [extended], security: 1}}
codes:
  - {code: P0102, fail: 1s, monitor: components, emission: true}
outputs:
  - {output: fan, did: 0x0400, in: [extended], longest: 9s}
regions:
  - {region: app, address: 0x1000, size: 0x100, program: true}
  - {region: boot, address: 0x2000, size: 0x100}
programming: {max_block: 66, services: [0x10]}
routines:
  - routine: learn
    rid: 0x0210
    needs: [{signal: key, is: 2, nrc: 0x22}]
    hold: [{signal: key, is: 2, reason: 1, says: key}]
    steps: [{step: wait, takes: 4s}]
    learns: [{value: x, from: rpm}]
`
