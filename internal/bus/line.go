package bus

import (
	"context"
	"errors"
	"io"
	"slices"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// stream is the raw line or connection. Closing it ends a read in progress.
type stream interface {
	io.ReadWriteCloser
	SetWriteDeadline(time.Time) error
}

// chunk is what one read of the stream gave.
type chunk struct {
	data []byte
	up   time.Duration
	err  error // the last one: the stream ended
}

const (
	chunkMax  = 512 // a frame and its doubles
	chunksMax = 64  // read ahead while the owner is busy: 32 kB; then the kernel's own buffers hold back the other side
	junkMax   = 4096
	floodMax  = 64 << 10 // bytes within one settling after which a connection is given up: at 115200 baud 6 s of them
)

// Errors of our own on a serial line.
var (
	errListening = errors.New("bus: listening whether another master speaks")
	errForeign   = errors.New("bus: another master is on this line")
	errOutOfStep = errors.New("bus: an answer came out of its place")
	errDamaged   = errors.New("bus: a damaged frame")
	errSilent    = errors.New("bus: no answer in time")
	errFlood     = errors.New("bus: flooded")
	errNotQuiet  = errors.New("bus: the line does not become quiet")
)

// line is one serial line, its own or behind a serial server, owned by one goroutine. It sends one question at a time, takes only the
// answer that can belong to it, and knows of every other byte.
type line struct {
	wire    wire
	listen  time.Duration // silence before the first question
	timeout time.Duration // of the longest question
	now     func() reading.Stamp
	ledger  *ledger
	without guards

	raw     stream
	in      chan chunk
	stop    chan struct{}
	stopped chan struct{}
	ended   error // how the stream ended, once it did

	listening bool
	foreign   bool                  // another master was heard and no full silence since
	lastByte  time.Duration         // Up of the last byte either way, or of the start of the listening
	lastOther time.Duration         // the same without what belongs to an order: a request to close is repeated faster than some lines settle
	between   func(context.Context) // what may be done while the line settles; nil: nothing
	closedAt  time.Duration
	everHeard bool // a full listening has passed at least once

	clean   bool // nothing out of place since the last passed check
	settle  time.Duration
	settled bool          // quiet for the settle time since the last fault
	faulted bool          // a question ended in a fault since the last passed check
	spoiled bool          // something unaccounted was heard
	early   bool          // it was heard before the last question left: what was read before is not vouched for
	junk    []byte        // unaccounted bytes, not yet understood
	kept    []byte        // without the flush: what stands before the next answer
	flood   int           // unaccounted bytes of this settling
	asked   map[shape]use // by station and function alone: who may still answer us
	sent    reading.Stamp // when the last question left
	echoes  bool          // the last answer came behind a repetition of our question
	heardUs bool          // an answer came over this connection, so that is known

	ordered []orderSent // whose answers, which repeat them, may still come
}

// orderSent is an order, and Up until which its answer may come.
type orderSent struct {
	frame []byte
	until time.Duration
}

func newLine(w wire, longest, listen time.Duration, now func() reading.Stamp) *line {
	l := &line{wire: w, listen: listen, timeout: longest, now: now, ledger: newLedger(w.horizon(longest)), settle: longest, asked: map[shape]use{}}
	l.ledger.strict, l.ledger.late = true, site.HorizonTimeouts*longest
	return l
}

func (l *line) up() time.Duration { return l.now().Up }

// attach takes up a newly opened stream.
func (l *line) attach(raw stream) {
	up := l.up()
	l.raw, l.in, l.stop, l.stopped, l.ended = raw, make(chan chunk, chunksMax), make(chan struct{}), make(chan struct{}), nil
	go pump(raw, l.now, l.in, l.stop, l.stopped)
	// What was said while nobody listened is unknown. After an absence as long as a listening another master may have come.
	if !l.without.noListen && l.listen > 0 && (!l.everHeard || up-l.closedAt >= l.listen) {
		l.listening = true
	}
	l.lastByte, l.lastOther = up, up
	l.echoes, l.heardUs = false, false
	l.clean, l.settled = false, false
	l.settle = max(l.settle, settleOpen)
	l.junk, l.flood = nil, 0
}

// pump hands over what the stream gives until it ends. When the owner is busy it waits, and the other side with it.
func pump(raw io.Reader, now func() reading.Stamp, to chan<- chunk, stop <-chan struct{}, stopped chan<- struct{}) {
	defer close(stopped)
	for {
		b := make([]byte, chunkMax)
		n, err := raw.Read(b)
		c := chunk{data: b[:n], up: now().Up, err: err}
		if n == 0 && err == nil {
			c.err = io.EOF // a hung-up tty reads nothing for ever
		}
		select {
		case to <- c:
		case <-stop:
			return
		}
		if c.err != nil {
			return
		}
	}
}

// detach closes the stream and waits for the reader to leave, which closing makes it do.
func (l *line) detach() {
	if l.raw == nil {
		return
	}
	close(l.stop)
	_ = l.raw.Close() // a line that does not close well is as gone as one that does
	<-l.stopped
	l.raw, l.in = nil, nil
	l.closedAt = l.up()
}

// stray takes a chunk that no question asked for.
func (l *line) stray(c chunk) {
	if c.err != nil {
		l.ended = c.err
	}
	if len(c.data) == 0 {
		return
	}
	l.lastByte, l.lastOther = c.up, c.up
	if l.without.noFlush {
		l.kept = append(l.kept, c.data...)
		return
	}
	l.unsettle()
	l.flood += len(c.data)
	if room := junkMax - len(l.junk); room > 0 {
		l.junk = append(l.junk, c.data[:min(room, len(c.data))]...)
	}
	l.understand()
}

// unsettle notes that something is out of place.
func (l *line) unsettle() {
	l.clean, l.settled, l.spoiled = false, false, true
}

// understand looks for frames in what was not asked for. A late answer to us makes the line suspect; a frame that nobody but another
// master can have caused silences us.
func (l *line) understand() (frames int) {
	found, used := scan(l.junk)
	for _, h := range found {
		if l.isOrder(h.frame) {
			continue // late, and of a shape that no reading has
		}
		l.ledger.suspect(l.up())
		if l.isForeign(h) {
			l.hearForeign()
		}
	}
	l.junk = l.junk[used:]
	// On a line that we have never spoken on there is nothing but others. Fewer bytes than a frame may be a switch being thrown.
	if l.listening && len(l.junk) >= frameMin {
		l.hearForeign()
	}
	return len(found)
}

// isOrder tells whether a frame is one of our own orders, which its answer repeats.
func (l *line) isOrder(frame []byte) bool {
	up := l.up()
	return slices.ContainsFunc(l.ordered, func(o orderSent) bool { return up < o.until && string(o.frame) == string(frame) })
}

func (l *line) hearForeign() {
	if l.without.noForeign || l.listen <= 0 {
		return
	}
	l.foreign, l.listening = true, true
}

// isForeign tells whether a frame cannot be an answer to one of our own questions within the horizon.
func (l *line) isForeign(h heard) bool {
	if h.request {
		// On a line with an echo our own last question may come back late.
		own := l.ledger.any && string(h.frame) == string(l.ledger.last.frame())
		return !own && !l.isOrder(h.frame)
	}
	if h.either && !l.ledger.lately(h.station(), h.function(), 3, l.up()) {
		return true // nobody but another master can have caused it: no question of ours has such an answer
	}
	u, known := l.asked[shape{station: h.station(), function: h.function()}]
	return !known || l.up() > u.free
}

// drain takes what has come unasked, without waiting.
func (l *line) drain() {
	for l.ended == nil {
		select {
		case c := <-l.in:
			l.stray(c)
		default:
			return
		}
	}
}

// await waits until the line has been quiet for so long, taking what comes, and no longer than most in all.
func (l *line) await(ctx context.Context, quiet, most time.Duration) error {
	limit := l.up() + most
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		l.drain()
		up := l.up()
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case l.ended != nil:
			return l.ended
		case l.flood > floodMax:
			return errFlood
		case up-l.lastByte >= quiet:
			return nil
		case up >= limit:
			return errNotQuiet
		}
		timer.Reset(min(l.lastByte+quiet, limit) - up)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case c := <-l.in:
			l.stray(c)
		}
	}
}

// exchange sends a question and takes its answer: a whole sound frame. An error means that the line is out of step, or gone.
func (l *line) exchange(ctx context.Context, q query) ([]byte, error) {
	if err := l.ready(ctx); err != nil {
		return nil, err
	}
	l.early, l.spoiled = l.spoiled && !l.without.noSurplus, false
	timeout := l.wire.timeout(q)
	request := q.frame()
	l.sent = l.now()
	l.ledger.sent(q, l.sent.Up, timeout)
	l.asked[shape{station: q.station, function: q.function()}] = use{free: l.sent.Up + timeout + l.ledger.horizon}
	if err := l.raw.SetWriteDeadline(time.Now().Add(timeout)); err != nil {
		return nil, l.failed(err)
	}
	// A line that takes nothing must not hold up the end. An error of the deadline is one of the write.
	raw := l.raw
	unhook := context.AfterFunc(ctx, func() { _ = raw.SetWriteDeadline(time.Now()) })
	_, err := raw.Write(request)
	unhook()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, l.failed(err)
	}
	l.lastByte = l.up()
	l.lastOther = l.lastByte
	got, err := l.collect(ctx, q, request, timeout)
	if err != nil {
		return nil, l.failed(err)
	}
	return got, nil
}

// failed notes a question that got no good answer.
func (l *line) failed(err error) error {
	up := l.up()
	l.ledger.failed(up)
	if l.faulted && !errors.Is(err, errSilent) { // the line was not vouched for since the fault before this one
		l.settle = min(2*l.settle, max(site.SettleMost, l.timeout))
	}
	l.faulted, l.clean, l.settled = true, false, false
	return err
}

// collect waits for the answer to q. It ends within the timeout.
func (l *line) collect(ctx context.Context, q query, request []byte, timeout time.Duration) ([]byte, error) {
	deadline := l.sent.Up + timeout
	timer := time.NewTimer(deadline - l.up())
	defer timer.Stop()
	got := l.kept
	l.kept = nil
	for echoed := false; ; {
		if !echoed && !l.without.noEchoStrip && len(got) >= requestBytes && string(got[:requestBytes]) == string(request) {
			// A two-wire line that hears itself. An answer that repeats its request byte for byte can only be of three bytes of bits asked
			// at 0x0300 to 0x03ff; it is lost as an echo, and the next try has another length.
			got, echoed = got[requestBytes:], true
		}
		n := l.answerBytes(q, got)
		mayEcho := !echoed && !l.without.noEchoStrip && len(got) < requestBytes && string(got) == string(request[:len(got)])
		switch {
		case mayEcho && (n <= 0 || len(got) < n), n == 0, n > len(got): // not whole yet
		case n < 0, !l.without.noSum && !sound(got[:n]):
			return nil, l.misfit(ctx, got, deadline)
		case len(got) > n && !l.without.noSurplus:
			return nil, l.misfit(ctx, got[n:], deadline)
		case l.without.noSum:
			return withSum(got[:n-2]), nil
		default:
			if l.without.noFlush {
				l.kept = got[n:]
			}
			l.echoes, l.heardUs = echoed, true
			return got[:n], nil
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-timer.C:
			select {
			case c := <-l.in: // it had come before the timer was looked at: a stalled machine makes no answer late
				if c.err == nil && c.up <= deadline {
					l.lastByte, l.lastOther = c.up, c.up
					got = append(got, c.data...)
					timer.Reset(0)
					continue
				}
				l.stray(c)
			default:
			}
			if len(got) == 0 {
				return nil, errSilent
			}
			return nil, l.misfit(ctx, got, deadline)
		case c := <-l.in:
			if c.err != nil {
				l.ended = c.err
				return nil, c.err
			}
			l.lastByte, l.lastOther = c.up, c.up
			got = append(got, c.data...)
		}
	}
}

func (l *line) answerBytes(q query, got []byte) int {
	n := q.answerBytes(got)
	if n < 0 && l.without.noLength && len(got) > 2 {
		return replyOverhead + int(got[2])
	}
	return n
}

// answerBytes is how long the answer is that begins so: 0 when that cannot be said yet, negative when it is no answer to q.
func (q query) answerBytes(got []byte) int {
	switch {
	case len(got) > 0 && got[0] != q.station, len(got) > 1 && got[1]&^0x80 != q.function():
		return -1
	case len(got) < 3:
		return 0
	case got[1] >= 0x80:
		return exceptionBytes
	case int(got[2]) != q.shape().bytes:
		return -1
	}
	return q.replyBytes()
}

// misfit tells what it was that came instead of the answer. It waits for the rest of it: until the line was quiet for a while, and no
// longer than the answer would have been waited for.
func (l *line) misfit(ctx context.Context, got []byte, deadline time.Duration) error {
	if l.without.noFlush { // as the library does: one frame is taken off
		if found, used := scan(got); len(found) > 0 {
			l.kept = got[len(got)-max(0, len(got)-used):]
		}
		return errOutOfStep
	}
	l.unsettle()
	l.junk = append([]byte(nil), got...)
	l.flood = len(got)
	frames := l.understand()
	quiet := max(l.wire.quiet, 20*time.Millisecond) // an adapter may hold back the rest of a frame for its latency timer
	if most := deadline - l.up(); most > 0 {
		before := l.ledger.distrusted
		if err := l.await(ctx, quiet, most); err != nil && !errors.Is(err, errNotQuiet) && !errors.Is(err, errFlood) {
			return err
		}
		if l.ledger.distrusted > before {
			frames++
		}
	}
	switch {
	case l.foreign:
		return errForeign
	case frames > 0:
		return errOutOfStep
	}
	return errDamaged
}

// passed notes that the line was vouched for: nothing is under way on it that is not known.
func (l *line) passed() {
	l.clean, l.faulted = true, false
	l.settle = l.timeout
}

// vouch closes a segment with a check: a read of another shape than the last, answered well, with nothing unaccounted before it or right
// behind it. Every answer that had taken another's place would have left that one to be heard here.
func (l *line) vouch(ctx context.Context, q query) ([]byte, error) {
	got, err := l.exchange(ctx, q)
	if err != nil {
		return nil, err
	}
	if l.early {
		return nil, errOutOfStep
	}
	return got, l.still(ctx, l.wire.quiet)
}

// vouchBySilence is vouch where no question of another shape may be asked: for a whole timeout after the last answer nothing comes.
func (l *line) vouchBySilence(ctx context.Context) error {
	if err := l.still(ctx, l.timeout); err != nil {
		return err
	}
	l.ledger.separated()
	return nil
}

// separate puts a silence between two questions of one shape, when nothing that was read is at stake.
func (l *line) separate(ctx context.Context) error {
	if err := l.ready(ctx); err != nil {
		return err
	}
	l.spoiled = false
	return l.vouchBySilence(ctx)
}

// still waits until the line was quiet for so long; anything heard meanwhile, or unaccounted before, is an error.
func (l *line) still(ctx context.Context, quiet time.Duration) error {
	if l.without.noSurplus {
		return nil
	}
	if err := l.await(ctx, quiet, 2*quiet); err != nil {
		return err
	}
	if l.spoiled {
		return errOutOfStep
	}
	return nil
}
