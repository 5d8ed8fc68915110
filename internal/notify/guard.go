package notify

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"syscall"
	"time"
)

// ErrGuarded refuses an address at which no recipient can be.
var ErrGuarded = errors.New("the address is refused")

// guardedTransport is the transport for recipients. It knows no proxy: one would be dialled in place of the recipient, past the guard.
func guardedTransport() *http.Transport {
	d := &net.Dialer{Timeout: 10 * time.Second, Control: guard}
	return &http.Transport{
		DialContext:            d.DialContext,
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12},
		TLSHandshakeTimeout:    10 * time.Second,
		MaxIdleConns:           16, // a site has a handful of recipients, each with one request at a time
		MaxIdleConnsPerHost:    1,
		IdleConnTimeout:        90 * time.Second,
		MaxResponseHeaderBytes: 64 << 10,
		DisableCompression:     true, // the answer is thrown away, so it need not be unpacked, nor blow up
		ForceAttemptHTTP2:      true,
	}
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
