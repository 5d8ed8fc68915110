package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const (
	// answerMax is how much of an answer is read, so that the connection can be used again; a longer one costs the connection.
	answerMax = 64 << 10
	// boxRetry is the pause after the outbox failed: a disk that is full does not empty in a second.
	boxRetry = 5 * time.Second
	// endTries bounds how often the end of a message is written again before the queue is asked afresh. A message may then go out twice,
	// which "at least once" allows.
	endTries = 5
	// lookEvery is how often an idle courier looks by itself, should a wake ever be missed.
	lookEvery = time.Minute
	// pageMost bounds the messages read at one time: 2 MB of the longest.
	pageMost = 100
	// waitsMost bounds what is kept of those that wait, some 100 bytes each: as many as the book keeps for one recipient.
	waitsMost = 10_000
	// drillLimit: a drill that has not arrived by then has failed, which is what it was to find out.
	drillLimit = 5 * time.Minute
	// ownKind is the content type of a message as it is.
	ownKind = "application/cloudevents+json; charset=utf-8"
)

// run serves one recipient: what is to go next is sent until it ends, then the next.
func (c *courier) run(ctx context.Context) {
	for ctx.Err() == nil {
		if err := c.fill(); err != nil {
			c.boxFailed(&c.unread, "reading", err)
			if !pause(ctx, boxRetry, nil) {
				return
			}
			continue
		}
		c.boxWorks(&c.unread)
		c.held.Store(int64(len(c.waits)))
		now := c.n.c.Now()
		switch s := c.pace.next(now, c.n.c.Certain(now), c.waits, c.to.Quiet, c.n.c.Site.Zone); {
		case len(s.sum) > 0:
			c.tellTogether(ctx, s)
		case s.send >= 0:
			c.tellOne(ctx, c.waits[s.send])
		default:
			wait := lookEvery
			if s.until > 0 {
				wait = min(wait, max(s.until-now.Up, time.Second))
			}
			if !pause(ctx, wait, c.wake) {
				return
			}
		}
	}
}

// fill reads what is new in the queue. Only what is needed to decide is kept; the words stay in the outbox.
func (c *courier) fill() error {
	for _, from := range []*uint64{&c.read, &c.loose} {
		for {
			items, err := c.n.c.Outbox.After(c.to.Name, *from, pageMost)
			if err != nil {
				return err
			}
			now := c.n.c.Now()
			for _, it := range items {
				*from = it.Key
				c.note(&it, now)
			}
			if len(items) < pageMost {
				break
			}
		}
	}
	if over := len(c.waits) - waitsMost; over > 0 {
		c.waits = slices.Delete(c.waits, 0, over) // the book has dropped them too
	}
	return nil
}

// note adds a message to those that wait. One known already, from memory before the disk took it or from before the disk hung, keeps its place
// there: two of one message would be told as two.
func (c *courier) note(it *Item, now reading.Stamp) {
	i := slices.IndexFunc(c.waits, func(w waiting) bool { return w.id == it.ID })
	switch {
	case i < 0:
		c.waits = append(c.waits, waitingOf(it, now))
	case it.Key < Loose:
		c.waits[i].key = it.Key // on disk it outlives this process
	}
}

// later gives a message back to the outbox, which cannot give it now. What is behind it goes first, and it is asked for again when the outbox
// lists it again.
func (c *courier) later(key uint64) {
	c.forget([]uint64{key})
	if key < Loose {
		c.read = min(c.read, key-1)
	}
}

// waitingOf takes from a message what is needed to decide when it goes. One that cannot be read is of the highest priority.
func waitingOf(it *Item, now reading.Stamp) waiting {
	var says struct {
		Data struct {
			Priority string `json:"priority"`
			Root     string `json:"root_id"`
			Test     bool   `json:"test"`
		} `json:"data"`
	}
	_ = json.Unmarshal(it.Body, &says) // what it does not say is the zero value, which is told at once
	p, _ := site.ParsePriority(says.Data.Priority)
	return waiting{key: it.Key, id: it.ID, priority: p, root: says.Data.Root, test: says.Data.Test, old: ageAt(it.Created, now.Wall), seen: now.Up}
}

// parcel is what one request carries: a message of the outbox, or a summary of several.
type parcel struct {
	Item
	keys    []uint64
	summary bool
	drill   bool
	command string        // of a drill
	limit   time.Duration // age after which it is given up
}

func (c *courier) tellOne(ctx context.Context, w waiting) {
	item, ok, err := c.n.c.Outbox.Get(c.to.Name, w.key)
	if errors.Is(err, ErrLater) {
		c.later(w.key)
		return
	}
	if err != nil {
		c.boxFailed(&c.unread, "reading", err)
		pause(ctx, boxRetry, nil)
		return
	}
	if !ok {
		c.forget([]uint64{w.key}) // dropped, or on disk by now under another key
		return
	}
	p := parcel{Item: item, keys: []uint64{w.key}, drill: w.test, limit: ageLimit}
	if p.drill {
		p.limit = drillLimit
		p.command = commandOf(item.Body)
	}
	c.deliver(ctx, p, w.held)
}

func (c *courier) tellTogether(ctx context.Context, s step) {
	var items []Item
	var keys, gone, later []uint64 // only what the summary tells ends as told in it
	for _, i := range s.sum {
		key := c.waits[i].key
		item, ok, err := c.n.c.Outbox.Get(c.to.Name, key)
		switch {
		case errors.Is(err, ErrLater):
			later = append(later, key)
		case err != nil:
			c.boxFailed(&c.unread, "reading", err)
			pause(ctx, boxRetry, nil)
			return
		case !ok:
			gone = append(gone, key) // dropped
		default:
			item.Body = headOf(item.Body) // of five hundred bodies only the heads are kept at one time
			items, keys = append(items, item), append(keys, key)
		}
	}
	c.forget(gone)
	for _, key := range later {
		c.later(key)
	}
	if len(items) == 0 {
		return
	}
	c.deliver(ctx, parcel{Item: summaryOf(c.n.c.Site, c.to, items, s.why), keys: keys, summary: true, limit: ageLimit}, s.why)
}

// deliver tries one message until it ends or ctx does.
func (c *courier) deliver(ctx context.Context, p parcel, why hold) {
	body, kind, err := c.form.render(p.Body)
	if err != nil { // it was tried on every kind at the start; an alarm goes out all the same, as it is
		c.n.c.Log.Error("a message does not fit the recipient's template; it is sent as it is", "recipient", c.to.Name, "id", p.ID, "error", err)
	}
	first := c.n.c.Now()
	old := ageAt(p.Created, first.Wall)
	age := func() time.Duration { return old + c.n.c.Now().Since(first) }
	tries := 0
	var unwantedSince reading.Stamp
	last := "it was too old when its turn came, and the recipient did not answer those before it"
	for {
		// A recipient that lives gets even an old message: the age of what waited while the daemon was down comes from a clock that may have
		// stepped. One that is dead is not asked again for every old message.
		if (tries > 0 || c.fails > 0) && age() >= p.limit {
			c.end(ctx, p, Expired, fmt.Sprintf("not delivered within %s; last: %s", spell(p.limit), last))
			return
		}
		if wait := c.notBefore - c.n.c.Now().Up; wait > 0 && !(p.drill && tries == 0) { // a drill asks once at once: that is what it is for
			if !pause(ctx, min(wait, max(p.limit-age(), 0)), nil) {
				return
			}
			continue
		}
		tries++
		if !p.drill {
			c.attempts.Add(1)
		}
		began := c.n.c.Now()
		v, wish, detail := c.try(ctx, p.ID, body, kind)
		if ctx.Err() != nil && v != done {
			return // stopped in mid-request: nobody knows, so it is sent again after the next start
		}
		last = detail
		c.noteDrill(p, "waiting", detail, c.n.c.Now().Since(began), tries)
		switch v {
		case done:
			c.answered(detail)
			c.end(ctx, p, Delivered, detail)
			if !p.drill {
				c.pace.went(c.n.c.Now().Up, why)
			}
			return
		case gone:
			c.failed(wish, detail) // keeps the pace: the rest of the queue will hear the same, and must not go out in a burst
			c.end(ctx, p, Refused, detail+": the recipient wants no more messages")
			return
		case unwanted:
			now := c.n.c.Now()
			if unwantedSince.IsZero() {
				unwantedSince = now
			}
			if now.Since(unwantedSince) >= refusalLimit {
				c.fails, c.notBefore = 0, 0 // it answers; the fault may lie in this one message, so the next one goes at once
				c.end(ctx, p, Refused, fmt.Sprintf("refused for %s; last: %s", spell(refusalLimit), detail))
				return
			}
			c.failed(wish, detail)
		default:
			c.failed(wish, detail)
		}
	}
}

// clockSetAfter is a date this program cannot be older than: a wall clock before it has not been set.
var clockSetAfter = reading.WallOf(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))

// ageAt is how old a message was when this process first saw it: all that can be known of the time before, and nothing when one of
// the two clocks had not been set. What follows is counted on the clock that never steps.
func ageAt(created, now reading.Wall) time.Duration {
	if created < clockSetAfter || now < created {
		return 0
	}
	return time.Duration(now - created)
}

// try makes one request. wish is how long the recipient asks to be left alone; detail never holds the URL, a header or the answer's
// body, in all of which credentials may stand.
func (c *courier) try(ctx context.Context, id string, body []byte, kind string) (v verdict, wish time.Duration, detail string) {
	ctx, cancel := context.WithTimeout(ctx, c.n.timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.to.URL, bytes.NewReader(body))
	if err != nil {
		return again, 0, "the URL cannot be used"
	}
	at := c.n.c.Now().Wall.Time()
	req.Header.Set("Content-Type", kind)
	req.Header.Set("User-Agent", "rillwatch")
	req.Header.Set("webhook-id", id)
	req.Header.Set("webhook-timestamp", strconv.FormatInt(at.Unix(), 10))
	req.Header.Set("webhook-signature", signAll(c.secrets, id, at, body))
	res, err := c.client.Do(req)
	if err != nil {
		return again, 0, c.plain(ctx, err)
	}
	defer func() { _ = res.Body.Close() }() // nothing was written, so nothing can be lost
	_, err = io.Copy(io.Discard, io.LimitReader(res.Body, answerMax))
	v = judge(res.StatusCode)
	detail = fmt.Sprintf("answered %d", res.StatusCode)
	if text := http.StatusText(res.StatusCode); text != "" {
		detail += " " + text
	}
	if v == done && err != nil {
		// The status said yes; what was cut off after it says nothing more.
		detail += ", then the connection broke"
	}
	if res.StatusCode >= 300 && res.StatusCode < 400 {
		detail += ": redirects are not followed, correct the URL"
	}
	switch res.StatusCode {
	case http.StatusBadRequest, http.StatusUnauthorized, http.StatusForbidden:
		detail += clockHint(res.Header, at)
	}
	if listens(res.StatusCode) {
		wish = retryAfter(res.Header, c.n.c.Now().Wall.Time())
	}
	return v, wish, detail
}

// plain takes the URL out of an error of the HTTP client: its user part and its query may be credentials.
func (c *courier) plain(ctx context.Context, err error) string {
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return "no answer within " + c.n.timeout.String()
	}
	var u *url.Error
	if errors.As(err, &u) {
		err = u.Err
	}
	return err.Error()
}

func (c *courier) answered(detail string) {
	if c.fails > 0 {
		c.n.c.Log.Info("recipient is back", "recipient", c.to.Name, "after_tries", c.fails, "away", c.n.c.Now().Since(c.since).Round(time.Second).String(), "detail", detail)
	}
	c.fails, c.notBefore = 0, 0
}

func (c *courier) failed(wish time.Duration, detail string) {
	now := c.n.c.Now()
	if c.fails++; c.fails == 1 {
		c.since = now
		c.n.c.Log.Warn("recipient does not take messages; they wait", "recipient", c.to.Name, "detail", detail)
	}
	c.notBefore = now.Up + max(backoff(c.n.pauses, c.fails, c.n.c.Rand()), wish)
}

// end puts the end of what a parcel carried on record. It is repeated for a while when the disk fails; then the queue is asked again.
func (c *courier) end(ctx context.Context, p parcel, result Result, detail string) {
	at := c.n.c.Now()
	told := result
	if p.summary {
		detail = "in summary " + p.ID + ": " + detail
		if result == Delivered {
			result = InSummary
		}
	}
	for range endTries {
		err := c.n.c.Outbox.End(c.to.Name, p.keys, result, at, detail)
		if err == nil {
			c.boxWorks(&c.unwritten)
			c.forget(p.keys)
			c.count(p, told, result, at)
			c.noteDrill(p, string(result), detail, 0, 0)
			if told != Delivered {
				c.n.c.Log.Error("message not delivered", "recipient", c.to.Name, "id", p.ID, "messages", len(p.keys), "result", string(result), "detail", detail)
			}
			return
		}
		c.boxFailed(&c.unwritten, "recording the end of a message in", err)
		if !pause(ctx, boxRetry, nil) {
			return
		}
	}
}

// forget takes messages out of what waits.
func (c *courier) forget(keys []uint64) {
	c.waits = slices.DeleteFunc(c.waits, func(w waiting) bool { return slices.Contains(keys, w.key) })
}

func (c *courier) count(p parcel, told, result Result, at reading.Stamp) {
	if told == Delivered {
		c.last.Store(&at)
	}
	if p.drill {
		return // a drill is in no counter
	}
	n := uint64(len(p.keys))
	switch {
	case result == InSummary:
		c.delivered.Add(1)
		c.inSummary.Add(n)
	case told == Delivered:
		c.delivered.Add(n)
	case told == Refused:
		c.refused.Add(n)
	case told == Expired:
		c.expired.Add(n)
	}
}

// boxFailed and boxWorks tell the edges of a trouble with the outbox, not every try.
func (c *courier) boxFailed(told *bool, doing string, err error) {
	if !*told {
		c.n.c.Log.Error(doing+" the outbox failed; it will be tried again", "recipient", c.to.Name, "error", err)
	}
	*told = true
}

func (c *courier) boxWorks(told *bool) {
	if *told {
		c.n.c.Log.Info("the outbox works again", "recipient", c.to.Name)
	}
	*told = false
}

// pause waits; it ends early on early, and is false when ctx ended.
func pause(ctx context.Context, d time.Duration, early <-chan struct{}) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
	case <-early:
	}
	return true
}
