package bus

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"time"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// This file holds every write there is. An order closes a sample valve: one coil or one register of one station, one value, all of them
// from the site's description. Whatever else is asked for is refused before a link is touched, and a bus without a drive has no way to
// write at all.

var (
	errNotAllowed = errors.New("bus: not an order of this site")
	errTooOld     = errors.New("bus: the order is older than orders live; what it was given for may be withdrawn")
	errWithdrawn  = errors.New("bus: what the order was given for is withdrawn")
	errNoWriting  = errors.New("bus: orders over this link are not sent yet")
)

// ordersMax is how much of a round orders may take before its reads: as much as silent stations may. A control that answers no order must
// not keep its temperature from being read, or a request that cannot arrive would blind the watch as well. The rest wait for the next round.
const ordersMax = silenceMaxSuspect

// closable is a link over which an order may leave.
type closable interface {
	order(ctx context.Context, o reading.Order, withdrawn func() error) error
}

// Orders is where orders come from and what becomes of them.
type Orders struct {
	Given <-chan reading.Order
	Done  chan<- reading.OrderResult // nil: none is obeyed
	// Stands tells, from any goroutine, whether what asked for an order still asks. It is asked just before the write. Nil: it does.
	Stands func(reading.Order) bool
}

// RunOrders is Run over a bus on which orders may be obeyed: those of the site's drives on it, whatever comes. What became of each is sent
// to o.Done, which must be read until RunOrders returns; of one that waited until the next of its panel came nothing is told. An order goes
// before any read, and is read back after it was written; but a round obeys one of each panel, and no more than ordersMax allows.
func RunOrders(ctx context.Context, s *site.Site, bus int, now func() reading.Stamp, o Orders, out chan<- reading.Batch, log *slog.Logger) error {
	return start(ctx, s, bus, now, o, out, log)
}

// drives is what a poller needs to obey orders. The zero drives obeys none.
type drives struct {
	may    []reading.Order
	done   chan<- reading.OrderResult
	ended  <-chan struct{} // nobody reads done any more
	stands func(reading.Order) bool

	waiting []reading.Order // the newest of each panel, longest waiting first
	obeyed  []int           // panels of which an order was obeyed since the last round ended
	took    time.Duration   // what orders took of this round
}

// drive lets the poller obey the orders of the site's drives on its bus, and none where there is no drive.
func (p *poller) drive(s *site.Site, o Orders, ended <-chan struct{}) {
	p.drives.done, p.drives.stands, p.drives.ended = o.Done, o.Stands, ended
	for i := range s.Panels {
		if d := &s.Panels[i].Interlock.Drive; s.Panels[i].Interlock.Configured && d.Configured && d.Bus == p.bus {
			p.drives.may = append(p.drives.may, d.Order(i))
			p.backMax = backoffMaxInterlock // a link that a closing waits for is taken up as one that a temperature comes over
		}
	}
	p.reserve()
}

// allowed tells whether an order is one of the site's, to the bit.
func (d *drives) allowed(o reading.Order) bool {
	o.ID, o.Until = 0, 0
	for _, may := range d.may {
		if o == may && o.Station != 0 && (o.Table == reading.Coil || o.Table == reading.Holding) {
			return true
		}
	}
	return false
}

// obeyWaiting obeys orders that wait, before anything more is read: one of each panel in a round, and none that the round cannot bear.
func (p *poller) obeyWaiting(ctx context.Context, orders <-chan reading.Order) {
	for more := true; more; {
		select {
		case o, open := <-orders:
			if more = open; open {
				p.keep(o)
			}
		default:
			more = false
		}
	}
	d := &p.drives
	for i := 0; i < len(d.waiting) && d.took < ordersMax && ctx.Err() == nil; {
		o := d.waiting[i]
		if slices.Contains(d.obeyed, o.Panel) {
			i++
			continue
		}
		d.waiting = slices.Delete(d.waiting, i, i+1)
		from := p.now().Up
		p.obey(ctx, o)
		d.took += p.now().Up - from
	}
}

// obeyUntil obeys what waits between two rounds, as long as the next is not due.
func (p *poller) obeyUntil(ctx context.Context, due time.Duration) {
	for d := &p.drives; len(d.waiting) > 0 && p.now().Up < due && ctx.Err() == nil; {
		o := d.waiting[0]
		d.waiting = slices.Delete(d.waiting, 0, 1)
		p.obey(ctx, o)
	}
}

// keep lets an order wait in place of an older one of its panel. One that will not be obeyed is refused at once.
func (p *poller) keep(o reading.Order) {
	if !p.drives.allowed(o) {
		p.obey(context.Background(), o)
		return
	}
	if i := slices.IndexFunc(p.drives.waiting, func(w reading.Order) bool { return w.Panel == o.Panel }); i >= 0 {
		p.drives.waiting[i] = o
		return
	}
	p.drives.waiting = append(p.drives.waiting, o)
}

// ordersAnew begins a new count of orders: a round is over.
func (p *poller) ordersAnew() { p.drives.obeyed, p.drives.took = p.drives.obeyed[:0], 0 }

// withdrawn tells why an order must not leave any more; nil when it may.
func (p *poller) withdrawn(o reading.Order) error {
	switch {
	case p.now().Up > o.Until:
		return errTooOld
	case p.drives.stands != nil && !p.drives.stands(o):
		return errWithdrawn
	}
	return nil
}

// obey sends an order and reads back what it wrote. It tells what became of it, unless ctx ends.
func (p *poller) obey(ctx context.Context, o reading.Order) {
	p.drives.obeyed = append(p.drives.obeyed, o.Panel)
	r := reading.OrderResult{ID: o.ID, Panel: o.Panel}
	var why error
	w, writes := p.link.(closable)
	switch {
	case !p.drives.allowed(o):
		why = errNotAllowed
	case !writes:
		why = errNoWriting
	default:
		if why = p.withdrawn(o); why == nil {
			r.Fault, why = p.write(ctx, w, o)
		}
	}
	if why != nil {
		p.refused(o, why)
		p.answer(r)
		return
	}
	if r.Fault == reading.Answered {
		r.ReadBack, r.Known = p.readBack(ctx, o)
	}
	p.answer(r)
}

// readBack reads what an order wrote. Behind a gateway it stands in the ledger like any question, so that its late answer is not taken for
// that of a reading; and while a late answer to an earlier read-back may be under way, none is believed. That the gateway is in step is shown
// by the answer to the write just before, which has a shape of its own.
func (p *poller) readBack(ctx context.Context, o reading.Order) (value uint16, known bool) {
	if p.guard != nil {
		return p.readBackOnLine(ctx, o)
	}
	q := query{station: o.Station, table: o.Table, addr: o.Addr, count: 1}
	gated := p.gate != nil && o.Station != direct
	if gated {
		if p.gate.ledger.of(q, p.now().Up) == retired {
			return 0, false
		}
		p.gate.ledger.sent(q, p.now().Up, p.timeout)
	}
	words, err := p.link.ask(ctx, o.Station, o.Table, o.Addr, 1)
	f := faultOf(err)
	if f == reading.Answered && len(words) == 1 {
		return words[0], true
	}
	if !clean(f) {
		p.dropLink()
		if gated && ctx.Err() == nil {
			up := p.now().Up
			if p.gate.ledger.failed(up); f == reading.BadFrame {
				p.gate.ledger.suspect(up)
			}
		}
	}
	return 0, false
}

// write sends the order, over a new connection where the one in use had been closed unnoticed. Connecting takes time: why tells that the
// order was not to leave any more when it could.
func (p *poller) write(ctx context.Context, w closable, o reading.Order) (_ reading.Fault, why error) {
	a := &attempt{slot: p.last}
	for {
		if f := p.connect(ctx, a); f != reading.Answered {
			return f, nil
		}
		if why := p.withdrawn(o); why != nil {
			return reading.NotAsked, why
		}
		reused := p.served
		err := w.order(ctx, o, func() error { return p.withdrawn(o) })
		if errors.Is(err, errTooOld) || errors.Is(err, errWithdrawn) {
			return reading.NotAsked, err
		}
		f := faultOf(err)
		if p.guard != nil && ctx.Err() == nil && !clean(f) {
			p.fault(a, err) // a line out of step settles by itself
			p.tell()
			return f, nil
		}
		if !down(f) {
			p.linkHeld()
		}
		if clean(f) {
			p.served, p.hungUp = true, 0
			return f, nil
		}
		p.dropLink()
		switch {
		case ctx.Err() != nil || !down(f):
			return f, nil
		case f == reading.Closed && reused:
			continue // endpoints close what was idle; sent twice it closes once
		}
		p.linkFailed(a, f, err)
		return f, nil
	}
}

func (p *poller) dropLink() {
	p.link.close()
	p.open, p.served = false, false
}

func (p *poller) answer(r reading.OrderResult) {
	if p.drives.done == nil {
		return
	}
	r.At = p.now()
	select {
	case p.drives.done <- r:
	case <-p.drives.ended:
	}
}

// refused says in the log that an order was not obeyed, once for each.
func (p *poller) refused(o reading.Order, why error) {
	if p.refusedAny && p.refusedID == o.ID {
		return
	}
	p.refusedAny, p.refusedID = true, o.ID
	words := "order not obeyed"
	if len(p.drives.may) == 0 {
		words += ": observing only"
	}
	p.log.Warn(words, "order", o.ID, "station", o.Station, "err", why)
}

// order writes over plain tcp.
func (l *tcpLink) order(_ context.Context, o reading.Order, _ func() error) error {
	if l.client == nil {
		return errNotOpen
	}
	return write(l.client, o)
}

// order writes over a secured connection. When ctx ends it returns at once.
func (l *tlsLink) order(ctx context.Context, o reading.Order, _ func() error) error {
	return l.over(ctx, func(client *modbus.ModbusClient) error { return write(client, o) })
}

// write is function 05 for a coil, 06 for a register (Modbus Application Protocol V1.1b3, 6.5 and 6.6). The library checks that the answer
// repeats the request.
func write(client *modbus.ModbusClient, o reading.Order) error {
	if err := client.SetUnitId(o.Station); err != nil {
		return err
	}
	switch o.Table {
	case reading.Coil:
		return client.WriteCoil(o.Addr, o.Value != 0)
	case reading.Holding:
		return client.WriteRegister(o.Addr, o.Value)
	}
	return modbus.ErrUnexpectedParameters
}
