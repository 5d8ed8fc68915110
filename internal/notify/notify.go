// Package notify turns events into words and brings them to their recipients as signed webhooks: at least once, in order per
// recipient, and with every end on record.
//
// The words come first: a message is composed once, when its event happens, and the same bytes are signed and sent on every try.
//
// Owns: the words people read, the CloudEvents body, the signature, the schedule of tries and what each answer means.
// Never: loses a message without a record, follows a redirect, tells a register or a program's error to a person, or prints a secret.
package notify

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Item is one message as it waits for a recipient.
type Item struct {
	Key     uint64 // place in the recipient's queue
	ID      string // the event's ID, the same on every try
	Body    []byte
	Created reading.Wall
}

// Row is one message for one recipient, to be put into the outbox in the transaction of its event.
type Row struct {
	ID        event.ID
	Recipient string
	Body      []byte // shared between the rows of one event: not to be changed
}

// Result is how a message ended.
type Result string

// Ends of a message.
const (
	Delivered Result = "delivered"  // answered with 2xx
	Refused   Result = "refused"    // the recipient will not have it
	Expired   Result = "expired"    // not delivered within the age limit
	InSummary Result = "in_summary" // told together with others; the record names the summary
)

// Loose marks the keys of messages told from memory, because the disk would not take them. Other keys never come near it.
const Loose = uint64(1) << 63

// Outbox is where messages wait, as the notifier sees it. After gives those behind a key, oldest first and at most so many, without taking
// them: those of the disk, or, with a key of Loose and above, those told from memory. Get gives one, and false when it is no longer there. End takes
// them and records why, all of them or none.
type Outbox interface {
	After(recipient string, key uint64, most int) ([]Item, error)
	Get(recipient string, key uint64) (Item, bool, error) // ErrLater: not now
	End(recipient string, keys []uint64, result Result, at reading.Stamp, detail string) error
}

// Config is what a Notifier works with.
type Config struct {
	Site      *site.Site
	Outbox    Outbox
	Secrets   map[string][]byte         // the raw key by recipient, as ParseSecret gives it
	Old       map[string][]byte         // the key before, where both sign while it is exchanged
	Roots     map[string]*x509.CertPool // who may sign the recipient's certificate; nil: whom the machine trusts
	Forms     map[string]*Form          // what a recipient gets in place of the message
	Now       func() reading.Stamp
	Certain   func(reading.Stamp) bool // whether the wall clock may be believed; nil: always
	Rand      func() float64           // in [0,1); nil: no jitter
	Log       *slog.Logger             // nil: silent
	Transport http.RoundTripper        // nil: one of its own, which refuses addresses no recipient can have
}

// Stats counts since the process started. Drills and heartbeats are in none of the first five.
type Stats struct {
	Attempts, Delivered, Refused, Expired, InSummary uint64
	Beats, BeatsFailed                               uint64
	Last                                             reading.Stamp // of the last message delivered; zero when none was
}

// ErrLater says that an outbox cannot give a message now and has it still. It is asked for again.
var ErrLater = errors.New("the outbox cannot give the message now")

// ErrNoSecret refuses to send unsigned messages.
var ErrNoSecret = errors.New("no secret to sign with")

// requestTimeout bounds one try, from the first packet to the end of the answer. Standard Webhooks asks senders to wait 15 to 30 s;
// the lower end, because the next alarm waits behind this one.
const requestTimeout = 15 * time.Second

// Notifier brings the messages of an outbox to their recipients.
type Notifier struct {
	c        Config
	timeout  time.Duration
	pauses   []time.Duration
	couriers []*courier
}

// courier serves one recipient.
type courier struct {
	n       *Notifier
	to      *site.Recipient
	secrets [][]byte // the present one first
	form    *Form
	client  *http.Client
	wake    chan struct{} // holds one: more would say nothing new
	beats   chan Beat     // holds one: the newest

	attempts, delivered, refused, expired, inSummary, beaten, unbeaten atomic.Uint64
	last                                                               atomic.Pointer[reading.Stamp]
	drilled                                                            atomic.Pointer[Drilled]

	// Only whoever calls Beat touches these.
	nth    uint64        // signs of life so far
	beatAt reading.Stamp // of the last one

	// Back-off belongs to the recipient, not to the message: a new alarm must not hammer a recipient that is down, and old ones that
	// expire must not either. Only the courier's own goroutine touches what follows.
	fails     int           // tries since the last answer of 2xx
	notBefore time.Duration // Up of the next try
	since     reading.Stamp // when it began to fail
	unread    bool          // the outbox could not be read; told once
	unwritten bool          // nor the end of a message be recorded; told once
	waits     []waiting     // what waits, by key
	held      atomic.Int64  // how many they were when last looked at
	read      uint64        // key of the last one read from the disk ...
	loose     uint64        // ... and from memory
	pace      pace
}

// New makes a Notifier for the site's recipients. Nothing is sent before Run.
func New(c Config) *Notifier {
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Rand == nil {
		c.Rand = func() float64 { return 0.5 } // the middle of the jitter: none
	}
	if c.Certain == nil {
		c.Certain = func(reading.Stamp) bool { return true }
	}
	n := &Notifier{c: c, timeout: requestTimeout, pauses: schedule[:]}
	for i := range c.Site.Recipients {
		r := &c.Site.Recipients[i]
		k := &courier{n: n, to: r, form: c.Forms[r.Name], wake: make(chan struct{}, 1), beats: make(chan Beat, 1), loose: Loose}
		for _, secret := range [][]byte{c.Secrets[r.Name], c.Old[r.Name]} {
			if len(secret) > 0 {
				k.secrets = append(k.secrets, secret)
			}
		}
		transport := c.Transport
		if transport == nil {
			transport = guardedTransport(r, c.Site.Messages.Allowed, c.Roots[r.Name])
		}
		k.client = &http.Client{
			Transport: transport,
			// A redirect would carry the message, and a header of credentials, to somebody nobody configured.
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		}
		n.couriers = append(n.couriers, k)
	}
	return n
}

// Run delivers until ctx ends; a value on wake says that the outbox has new rows. Every recipient has its own goroutine, so that a
// dead one delays nobody else. All of them have ended when Run returns.
//
// Error: ErrNoSecret, before anything was sent.
func (n *Notifier) Run(ctx context.Context, wake <-chan struct{}) error {
	for _, c := range n.couriers {
		if len(n.c.Secrets[c.to.Name]) == 0 {
			return fmt.Errorf("recipient %s: %w", c.to.Name, ErrNoSecret)
		}
	}
	var rounds sync.WaitGroup
	defer rounds.Wait()
	for _, c := range n.couriers {
		rounds.Go(func() {
			defer c.client.CloseIdleConnections()
			c.run(ctx)
		})
		if c.to.Heartbeat > 0 {
			rounds.Go(func() { c.beat(ctx) })
		}
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case _, ok := <-wake:
			if !ok {
				wake = nil // nobody will call any more; the outbox is still looked at on its own
				continue
			}
			for _, c := range n.couriers {
				select {
				case c.wake <- struct{}{}:
				default: // it is awake already
				}
			}
		}
	}
}

// Stats gives the counts of one recipient; zero for one nobody knows.
func (n *Notifier) Stats(recipient string) Stats {
	for _, c := range n.couriers {
		if c.to.Name == recipient {
			st := Stats{Attempts: c.attempts.Load(), Delivered: c.delivered.Load(), Refused: c.refused.Load(), Expired: c.expired.Load(), InSummary: c.inSummary.Load(),
				Beats: c.beaten.Load(), BeatsFailed: c.unbeaten.Load()}
			if at := c.last.Load(); at != nil {
				st.Last = *at
			}
			return st
		}
	}
	return Stats{}
}
