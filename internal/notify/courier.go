package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"rillwatch/internal/reading"
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
)

// run serves one recipient: the head of the queue is tried until it ends, then the next.
func (c *courier) run(ctx context.Context) {
	for ctx.Err() == nil {
		item, ok, err := c.n.c.Outbox.Next(c.to.Name)
		if err != nil {
			c.boxFailed(&c.unread, "reading", err)
			if !pause(ctx, boxRetry, nil) {
				return
			}
			continue
		}
		c.boxWorks(&c.unread)
		if !ok {
			if !pause(ctx, lookEvery, c.wake) {
				return
			}
			continue
		}
		c.deliver(ctx, item)
	}
}

// deliver tries one message until it ends or ctx does.
func (c *courier) deliver(ctx context.Context, item Item) {
	first := c.n.c.Now()
	old := ageAt(item.Created, first.Wall)
	age := func() time.Duration { return old + c.n.c.Now().Since(first) }
	tried := false
	var unwantedSince reading.Stamp
	last := "it was too old when its turn came, and the recipient did not answer those before it"
	for {
		// A recipient that lives gets even an old message: the age of what waited while the daemon was down comes from a clock that may have
		// stepped. One that is dead is not asked again for every old message.
		if (tried || c.fails > 0) && age() >= ageLimit {
			c.end(ctx, item, Expired, fmt.Sprintf("not delivered within %s; last: %s", spell(ageLimit), last))
			return
		}
		if wait := c.notBefore - c.n.c.Now().Up; wait > 0 {
			if !pause(ctx, min(wait, max(ageLimit-age(), 0)), nil) {
				return
			}
			continue
		}
		tried = true
		c.attempts.Add(1)
		v, wish, detail := c.try(ctx, item)
		if ctx.Err() != nil && v != done {
			return // stopped in mid-request: nobody knows, so it is sent again after the next start
		}
		last = detail
		switch v {
		case done:
			c.answered(detail)
			c.end(ctx, item, Delivered, detail)
			return
		case gone:
			c.failed(wish, detail) // keeps the pace: the rest of the queue will hear the same, and must not go out in a burst
			c.end(ctx, item, Refused, detail+": the recipient wants no more messages")
			return
		case unwanted:
			now := c.n.c.Now()
			if unwantedSince.IsZero() {
				unwantedSince = now
			}
			if now.Since(unwantedSince) >= refusalLimit {
				c.fails, c.notBefore = 0, 0 // it answers; the fault may lie in this one message, so the next one goes at once
				c.end(ctx, item, Refused, fmt.Sprintf("refused for %s; last: %s", spell(refusalLimit), detail))
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
func (c *courier) try(ctx context.Context, item Item) (v verdict, wish time.Duration, detail string) {
	ctx, cancel := context.WithTimeout(ctx, c.n.timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.to.URL, bytes.NewReader(item.Body))
	if err != nil {
		return again, 0, "the URL cannot be used"
	}
	at := c.n.c.Now().Wall.Time()
	req.Header.Set("Content-Type", "application/cloudevents+json; charset=utf-8")
	req.Header.Set("User-Agent", "rillwatch")
	req.Header.Set("webhook-id", item.ID)
	req.Header.Set("webhook-timestamp", strconv.FormatInt(at.Unix(), 10))
	req.Header.Set("webhook-signature", Sign(c.secret, item.ID, at, item.Body))
	res, err := c.n.client.Do(req)
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

// end puts the end of a message on record. It is repeated for a while when the disk fails; then the queue is asked again.
func (c *courier) end(ctx context.Context, item Item, result Result, detail string) {
	at := c.n.c.Now()
	for range endTries {
		err := c.n.c.Outbox.End(c.to.Name, item.Key, result, at, detail)
		if err == nil {
			c.boxWorks(&c.unwritten)
			c.count(result)
			if result != Delivered {
				c.n.c.Log.Error("message not delivered", "recipient", c.to.Name, "id", item.ID, "result", string(result), "detail", detail)
			}
			return
		}
		c.boxFailed(&c.unwritten, "recording the end of a message in", err)
		if !pause(ctx, boxRetry, nil) {
			return
		}
	}
}

func (c *courier) count(r Result) {
	switch r {
	case Delivered:
		c.delivered.Add(1)
	case Refused:
		c.refused.Add(1)
	case Expired:
		c.expired.Add(1)
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
