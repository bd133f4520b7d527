package main

import (
	"bytes"

	"tipoff/drivers/clock"
	"tipoff/drivers/emulated"
	"tipoff/drivers/plant"
)

// demoAgeing is the ageing run of the demo.
const demoAgeing = "tube = \"PP-01\"\ncurrent = \"55 mA\"\nhours = 8\n"

// demoLight is the photodiode of the demo's ageing bench, on the input that the gauges
// leave free.
const demoLight = `
[[channel]]
name = "light"
role = "light"
driver = "ads1115"
bus = "/dev/i2c-1"
address = "0x48"
input = "ain2"
range = "4.096 V"
rate = "128/s"

[channel.calibration]
kind = "none"
full_scale = "3 V"
`

// withLight adds the photodiode to the demo's bench.toml, before what is no channel.
func withLight(bench []byte) []byte {
	return bytes.Replace(bench, []byte("\n[sounder]"), []byte(demoLight+"\n[sounder]"), 1)
}

// wireAger puts a bench on the board at which a sealed tube burns from the fifth second on.
func wireAger(board *emulated.Board, c clock.Clock, seed uint64) {
	cfg := plant.Default()
	cfg.Seed = seed
	w := plant.DefaultWiring()
	w.Clock, w.Zero = c, c.Now()
	plant.New(cfg, &plant.Ager{Amps: 0.055, From: 5, To: 1e12}).Wire(board, w)
}
