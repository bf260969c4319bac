package link

import "time"

// ExpiryNotice is how long before its end a certificate is warned of.
const ExpiryNotice = 30 * 24 * time.Hour
