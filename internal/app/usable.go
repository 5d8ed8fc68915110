package app

// Usable tells whether the daemon could be started on c as far as that can be known beforehand: its secrets and its token can be read. The
// error is an ErrConfig.
func Usable(c Config) error {
	_, _, err := c.secrets()
	return err
}
