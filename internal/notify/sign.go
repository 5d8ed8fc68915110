package notify

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// A secret as the Standard Webhooks specification writes it: a prefix, then base64 of 24 to 64 random bytes.
const (
	secretPrefix = "whsec_"
	secretMin    = 24
	secretMax    = 64
)

// Refusals of ParseSecret. Their texts never hold any part of the secret.
var (
	ErrSecretPrefix = errors.New(`a secret begins with "` + secretPrefix + `"`)
	ErrSecretBase64 = errors.New(`what follows "` + secretPrefix + `" is not base64`)
	ErrSecretLength = errors.New("a secret has 24 to 64 bytes")
)

// ParseSecret reads a secret as it stands in a file; space around it is ignored.
//
// Errors: ErrSecretPrefix, ErrSecretBase64, ErrSecretLength.
func ParseSecret(s string) ([]byte, error) {
	rest, ok := strings.CutPrefix(strings.TrimSpace(s), secretPrefix)
	if !ok {
		return nil, fmt.Errorf("%w (write it as the recipient gave it)", ErrSecretPrefix)
	}
	key, err := base64.StdEncoding.DecodeString(rest)
	if err != nil {
		// the library's error is left out: it holds nothing secret today, and nobody promised that it stays so
		return nil, fmt.Errorf("%w (copy it whole, with its + and / and =)", ErrSecretBase64)
	}
	if len(key) < secretMin || len(key) > secretMax {
		return nil, fmt.Errorf("%w, this one has %d (is it cut short?)", ErrSecretLength, len(key))
	}
	return key, nil
}

// Sign gives the value of the webhook-signature header for one try: "v1," and base64 of HMAC-SHA256 over "id.timestamp.body", with
// the timestamp in whole seconds since 1970 (Standard Webhooks specification, "Signature scheme").
func Sign(secret []byte, id string, t time.Time, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(id + "." + strconv.FormatInt(t.Unix(), 10) + "."))
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

// signAll gives one signature for each secret, as the specification asks while a secret is exchanged: a recipient takes any that fits.
func signAll(secrets [][]byte, id string, t time.Time, body []byte) string {
	all := make([]string, len(secrets))
	for i, secret := range secrets {
		all[i] = Sign(secret, id, t, body)
	}
	return strings.Join(all, " ")
}
