package notify

import (
	"net/http"
	"strconv"
	"strings"
	"time"
)

// The schedule of tries. The example in the Standard Webhooks specification leaves gaps of hours after the second try; an alarm
// needs the first minute, and a receiver that restarts is back in it.
var schedule = [...]time.Duration{
	time.Second, 2 * time.Second, 5 * time.Second, 15 * time.Second, 30 * time.Second, time.Minute, 5 * time.Minute,
}

const (
	// jitterShare spreads tries by a fifth to both sides, so that boxes that lost one receiver together do not come back together.
	jitterShare = 0.2
	// ageLimit: after a day a person has heard of the trouble otherwise, and the record tells the rest.
	ageLimit = 24 * time.Hour
	// refusalLimit is how long a message that the recipient answers with a final 4xx is still tried. Such an answer may mean a bad
	// message or a receiver somebody is just setting up: a wrong path (404), a mistyped secret (401), a proxy in the way (403). That is
	// mended within the hour in which it is noticed; what is not must not hold up the alarms behind it for a day.
	refusalLimit = time.Hour
	// retryAfterMax caps what a recipient may ask for: it must not be able to silence alarms for a day.
	retryAfterMax = time.Hour
	// clockDoubt is from where on a different clock is named as the likely cause of a rejected signature. Receivers commonly accept
	// five minutes (the published libraries do); answers carry whole seconds and may be stamped by a cache.
	clockDoubt = time.Minute
)

// backoff is the pause after the fails-th failure in a row; the last of the pauses is that after every further one.
func backoff(pauses []time.Duration, fails int, chance float64) time.Duration {
	d := pauses[min(max(fails, 1), len(pauses))-1]
	return time.Duration(float64(d) * (1 - jitterShare + 2*jitterShare*chance))
}

// retryAfter reads how long a recipient asks to be left alone (RFC 9110, 10.2.3): digits are seconds, else one of the three forms of
// an HTTP date, which is taken against the recipient's own Date, so that our clock's error cancels. What cannot be read is no wish.
// The result is between 0 and an hour.
func retryAfter(h http.Header, now time.Time) time.Duration {
	s := strings.TrimSpace(h.Get("Retry-After"))
	if s == "" {
		return 0
	}
	if strings.Trim(s, "0123456789") == "" {
		n, err := strconv.ParseUint(s, 10, 64)
		if err != nil || n > uint64(retryAfterMax/time.Second) {
			return retryAfterMax // only too large a number is an error here
		}
		return time.Duration(n) * time.Second
	}
	t, err := http.ParseTime(s)
	if err != nil {
		return 0
	}
	if peer, ok := peerClock(h); ok {
		now = peer
	}
	return min(max(t.Sub(now), 0), retryAfterMax)
}

func peerClock(h http.Header) (time.Time, bool) {
	t, err := http.ParseTime(h.Get("Date"))
	return t, err == nil
}

// clockHint explains a rejected signature by two clocks that differ; empty when they do not, or when the recipient's is not known.
func clockHint(h http.Header, now time.Time) string {
	peer, ok := peerClock(h)
	if !ok {
		return ""
	}
	if off := now.Sub(peer); off > -clockDoubt && off < clockDoubt {
		return ""
	}
	const form = "2006-01-02 15:04:05"
	return "; the recipient's clock says " + peer.UTC().Format(form) + " UTC, ours " + now.UTC().Format(form) +
		" UTC: a signature is only taken when both agree, so set the clock that is wrong"
}

// verdict is what an answer means for the message.
type verdict uint8

const (
	again    verdict = iota // no answer, or one that may change by itself: until the age limit
	done                    // 2xx
	unwanted                // a final 4xx: for an hour
	gone                    // 410: at once
)

func judge(status int) verdict {
	switch {
	case status >= 200 && status < 300:
		return done
	case status == http.StatusGone:
		return gone // the one answer that says "never again"
	case status == http.StatusRequestTimeout, status == http.StatusTooEarly, status == http.StatusTooManyRequests:
		return again // 4xx by number, but they speak of this moment and not of the message
	case status >= 400 && status < 500:
		return unwanted
	}
	// 3xx is a failure like any other: a network's log-in page redirects for a while, a moved receiver until somebody mends the URL.
	return again
}

// listens tells whether a Retry-After beside this status is obeyed.
func listens(status int) bool {
	switch status {
	case http.StatusTooManyRequests, http.StatusBadGateway, http.StatusServiceUnavailable, http.StatusGatewayTimeout:
		return true
	}
	return false
}
