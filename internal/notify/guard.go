package notify

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"syscall"
	"time"

	"rillwatch/internal/site"
)

// ErrGuarded refuses an address at which no recipient can be.
var ErrGuarded = errors.New("the address is refused")

// guardedTransport is the transport for one recipient. It knows no proxy but one that is configured: one of the environment would be dialled in
// place of the recipient, past the guard.
func guardedTransport(r *site.Recipient, allowed []string, roots *x509.CertPool) *http.Transport {
	t := &http.Transport{
		DialContext:            dialGuarded(allowed),
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots},
		TLSHandshakeTimeout:    10 * time.Second,
		MaxIdleConns:           2, // one request at a time, and a heartbeat beside it
		MaxIdleConnsPerHost:    2,
		IdleConnTimeout:        90 * time.Second,
		MaxResponseHeaderBytes: 64 << 10,
		DisableCompression:     true, // the answer is thrown away, so it need not be unpacked, nor blow up
		ForceAttemptHTTP2:      true,
	}
	if r.Proxy != "" {
		if u, err := url.Parse(r.Proxy); err == nil { // the configuration has read it
			t.Proxy = http.ProxyURL(u)
			t.DialContext = dialGuarded(nil) // the list is of recipients, and the proxy is named by itself
		}
	}
	return t
}

// dialGuarded dials what neither the guard nor the list refuses. A name on the list may have any address the guard lets pass; else the address
// itself must be in one of the ranges, and that is asked after the name was resolved.
func dialGuarded(allowed []string) func(ctx context.Context, network, address string) (net.Conn, error) {
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		host, _, err := net.SplitHostPort(address)
		if err != nil {
			return nil, fmt.Errorf("%w: it is not a host with a port", ErrGuarded)
		}
		d := &net.Dialer{Timeout: 10 * time.Second, Control: guard}
		if len(allowed) > 0 && !slices.Contains(allowed, strings.ToLower(host)) {
			d.Control = func(network, address string, c syscall.RawConn) error {
				if err := guard(network, address, c); err != nil {
					return err
				}
				return inRange(allowed, address)
			}
		}
		return d.DialContext(ctx, network, address)
	}
}

func inRange(allowed []string, address string) error {
	ap, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("%w: it is not an IP address with a port", ErrGuarded)
	}
	a := ap.Addr().Unmap()
	for _, s := range allowed {
		if p, err := netip.ParsePrefix(s); err == nil && p.Contains(a) {
			return nil
		}
		if one, err := netip.ParseAddr(s); err == nil && one == a {
			return nil
		}
	}
	return fmt.Errorf("%w: %s is not among those that messages.allowed names", ErrGuarded, a)
}

// guard sees every address as it is dialled, after the name was resolved, so that a name cannot hide it. Loopback and private
// networks are where plants keep their recipients and stay allowed. Link-local is where machines keep the keys of their cloud
// (169.254.169.254); multicast and unspecified addresses name nobody.
func guard(network, address string, _ syscall.RawConn) error {
	ap, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("%w: it is not an IP address with a port", ErrGuarded)
	}
	a := ap.Addr().Unmap()
	switch {
	case a.IsLinkLocalUnicast():
		return fmt.Errorf("%w: %s is link-local", ErrGuarded, a)
	case a.IsMulticast():
		return fmt.Errorf("%w: %s is multicast", ErrGuarded, a)
	case a.IsUnspecified():
		return fmt.Errorf("%w: %s names nobody", ErrGuarded, a)
	case a == netip.AddrFrom4([4]byte{255, 255, 255, 255}):
		return fmt.Errorf("%w: %s is broadcast", ErrGuarded, a)
	}
	return nil
}
