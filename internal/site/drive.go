package site

import (
	"time"

	"rillwatch/internal/reading"
)

// Drive is the one write there is: how rillwatch asks a panel to close its sample valve. The zero Drive asks for nothing. No value that
// opens stands anywhere, so that none can be sent.
type Drive struct {
	Configured bool
	Bus        int
	Station    uint8         // 1 to 247, or 255; never 0, which every device behind a gateway obeys
	Table      reading.Table // Coil or Holding
	Addr       uint16        // wire address
	Value      uint16        // what closes; of a coil 0 or 1

	ConfirmedBy, ConfirmedOn string // who has in writing what no file can prove, and since when
}

const (
	// OverrideUsual is how long an override lasts of which no time was said, and OverrideMax the longest: common practice for work on an
	// interlock, long enough for one job and for one shift.
	OverrideUsual = time.Hour
	OverrideMax   = 8 * time.Hour
	// OrderLives is how long an order may wait for its bus. It is repeated every second while it is wanted, so that one this old belongs to
	// a request that no longer stands.
	OrderLives = 3 * time.Second
)

// Order is the drive of the panel at index as an order; its ID and its time are the engine's.
func (d *Drive) Order(panel int) reading.Order {
	return reading.Order{Bus: d.Bus, Station: d.Station, Table: d.Table, Addr: d.Addr, Value: d.Value, Panel: panel}
}
