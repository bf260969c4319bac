package opcua

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"syscall"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua/channel"
)

// timedOut tells whether nothing came in time.
func timedOut(err error) bool {
	return errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, ua.StatusBadTimeout)
}

// hungUp tells whether the other side ended the connection.
func hungUp(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
}

// sessionLost are answers of a server that does not know session or channel
// any more. The request was not looked at.
func sessionLost() []ua.StatusCode {
	return []ua.StatusCode{
		ua.StatusBadSessionIDInvalid, ua.StatusBadSessionClosed, ua.StatusBadSessionNotActivated,
		ua.StatusBadSecureChannelIDInvalid, ua.StatusBadSecureChannelClosed, ua.StatusBadSecureChannelTokenUnknown,
		ua.StatusBadTCPSecureChannelUnknown,
	}
}

// nothingDone tells whether a status means for certain that nothing was
// written. What is not in the list may have been begun.
func nothingDone(s ua.StatusCode) bool {
	return slices.Contains([]ua.StatusCode{
		ua.StatusBadNodeIDUnknown, ua.StatusBadNodeIDInvalid, ua.StatusBadAttributeIDInvalid,
		ua.StatusBadIndexRangeInvalid, ua.StatusBadIndexRangeNoData, ua.StatusBadTypeMismatch, ua.StatusBadOutOfRange,
		ua.StatusBadNotWritable, ua.StatusBadNotReadable, ua.StatusBadWriteNotSupported, ua.StatusBadUserAccessDenied,
		ua.StatusBadSecurityModeInsufficient, ua.StatusBadTooManyOperations, ua.StatusBadNothingToDo,
		ua.StatusBadServiceUnsupported, ua.StatusBadRequestTooLarge, ua.StatusBadEncodingLimitsExceeded,
		ua.StatusBadTimestampsToReturnInvalid, ua.StatusBadMaxAgeInvalid, ua.StatusBadTCPServerTooBusy,
	}, s)
}

// faultClass tells what may be concluded when a server refuses a whole request.
func faultClass(s ua.StatusCode) link.Class {
	switch {
	case slices.Contains(sessionLost(), s):
		return link.Down
	case nothingDone(s), s == ua.StatusBadResponseTooLarge:
		return link.Refused
	}
	return link.Unknown
}

// lasts tells whether a status of a node stays until somebody changes
// something.
func lasts(s ua.StatusCode) bool {
	return noAccess(s) || slices.Contains([]ua.StatusCode{
		ua.StatusBadNodeIDUnknown, ua.StatusBadNodeIDInvalid, ua.StatusBadAttributeIDInvalid, ua.StatusBadSecurityModeInsufficient,
	}, s)
}

// noAccess tells whether a status means that the node may not be read.
func noAccess(s ua.StatusCode) bool {
	return s == ua.StatusBadNotReadable || s == ua.StatusBadUserAccessDenied
}

// statusHelp says what a person can do about a status.
func statusHelp(s ua.StatusCode) string {
	switch s {
	case ua.StatusBadNodeIDUnknown, ua.StatusBadNodeIDInvalid, ua.StatusBadAttributeIDInvalid:
		return "the controller has no such variable: import the blocks into its OPC UA server, or correct the name of the line and the identifiers"
	case ua.StatusBadTypeMismatch, ua.StatusBadOutOfRange, ua.StatusBadIndexRangeInvalid, ua.StatusBadIndexRangeNoData:
		return "the variable in the controller has another type or length: every block is an array of UInt16 of its own length"
	case ua.StatusBadUserAccessDenied, ua.StatusBadNotWritable, ua.StatusBadNotReadable, ua.StatusBadWriteNotSupported:
		return "the user may not do this: let it read Request and Outcome, and write Heartbeat, Hello, Payload, Commit and Ack, at the controller"
	case ua.StatusBadSecurityModeInsufficient:
		return "the controller wants a stronger security mode for this variable: use SignAndEncrypt"
	case ua.StatusBadTooManyOperations, ua.StatusBadRequestTooLarge, ua.StatusBadResponseTooLarge, ua.StatusBadEncodingLimitsExceeded: // of one node: see connection.fewer
		return "the controller takes not even one block in a request: raise the limits of its OPC UA server"
	case ua.StatusBadTCPServerTooBusy, ua.StatusBadTooManySessions:
		return "the controller is busy, or has no session left: end other clients, or wait until their sessions have timed out"
	case ua.StatusBadServerHalted, ua.StatusBadShutdown:
		return "the OPC UA server of the controller is being stopped: wait until it runs again"
	case ua.StatusBadWaitingForInitialData, ua.StatusBadNoCommunication, ua.StatusBadOutOfService, ua.StatusBadNotConnected, ua.StatusBadDeviceFailure:
		return "the server gets no data from the program of the controller: check that the controller runs"
	}
	if slices.Contains(sessionLost(), s) {
		return "the controller has forgotten the session: check whether it was restarted, and its time-out of sessions"
	}
	return "look at the diagnostics of the controller's OPC UA server"
}

// silenceHelp says what a person can do when a request got no valid answer.
func silenceHelp(err error) string {
	var status ua.StatusCode
	switch {
	case errors.Is(err, context.Canceled):
		return ""
	case timedOut(err):
		return "the controller did not answer in time: check that it runs, its load, and that of the network"
	case hungUp(err), errors.Is(err, net.ErrClosed):
		return "the connection ended: check that the OPC UA server of the controller runs, and its limit of connections"
	case errors.As(err, &status):
		return statusHelp(status)
	}
	return "the answer does not fit the request: check whether the variables of the controller were changed"
}

// connectHelp says what a person can do when no connection comes about.
func connectHelp(endpoint string, err error) string {
	var dns *net.DNSError
	switch {
	case errors.Is(err, context.Canceled):
		return ""
	case errors.As(err, &dns):
		return fmt.Sprintf("the name in %s is not known here: check the spelling, or use the controller's IP address", endpoint)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Sprintf("nothing listens at %s: check address and port, that the OPC UA server of the controller is switched on, "+
			"and that no firewall refuses the connection", endpoint)
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return fmt.Sprintf("there is no way to %s from this machine: check cable, network address, mask and router", endpoint)
	case timedOut(err):
		return fmt.Sprintf("%s does not answer in time: check that the controller has power, the cable, the address, "+
			"and that no firewall swallows the connection; securing a connection takes a small controller seconds, so a longer request timeout can help", endpoint)
	}
	return fmt.Sprintf("check address, port and network of %s, and that an OPC UA server answers there", endpoint)
}

// loginRefused are answers to a login that last until somebody changes the
// user.
func loginRefused() []ua.StatusCode {
	return []ua.StatusCode{
		ua.StatusBadIdentityTokenRejected, ua.StatusBadIdentityTokenInvalid, ua.StatusBadUserAccessDenied,
		ua.StatusBadUserSignatureInvalid, ua.StatusBadIdentityChangeNotSupported,
	}
}

// certificateRefused are answers of a server that does not accept the
// certificate of the gateway.
func certificateRefused() []ua.StatusCode {
	return []ua.StatusCode{
		ua.StatusBadSecurityChecksFailed, ua.StatusBadCertificateInvalid, ua.StatusBadCertificateTimeInvalid,
		ua.StatusBadCertificateUntrusted, ua.StatusBadCertificateURIInvalid, ua.StatusBadCertificateUseNotAllowed,
		ua.StatusBadCertificateRevoked, ua.StatusBadCertificateHostNameInvalid, ua.StatusBadApplicationSignatureInvalid,
		ua.StatusBadSecurityPolicyRejected,
	}
}

// dialError classes what kept a connection from coming about.
func (d *Dialer) dialError(ctx context.Context, err error) error {
	e := &link.Error{Op: "dial", Class: link.Down, Err: err}
	var (
		conf    *configError
		blocks  *blocksError
		session *sessionError
		status  ua.StatusCode
		misfit  *mismatchError
	)
	stated := errors.As(err, &status)
	switch {
	case errors.As(err, &conf):
		e.Class, e.Help = link.ConfigClass, conf.help
	case errors.As(err, &blocks):
		e.Class, e.Help = link.ConfigClass, blocks.help
	case ctx.Err() != nil:
		e.Help = connectHelp(d.settings.Endpoint, err)
	case errors.As(err, &session) && stated && slices.Contains(loginRefused(), status):
		e.Class = link.ConfigClass
		e.Help = "check user name and password, or the user's certificate, here and at the controller"
	case d.rejected(err):
		e.Help = d.rejectedHelp()
	case stated && !timedOut(err):
		e.Help = statusHelp(status)
	case errors.As(err, &misfit):
		e.Help = silenceHelp(err)
	default:
		e.Help = connectHelp(d.settings.Endpoint, err)
	}
	return e
}

// rejected tells whether the server probably did not take the certificate of the gateway.
func (d *Dialer) rejected(err error) bool {
	var (
		opening *channel.OpenError
		session *sessionError
		status  ua.StatusCode
	)
	refused := errors.As(err, &status) && slices.Contains(certificateRefused(), status)
	return d.own != nil && (refused || (errors.As(err, &opening) || errors.As(err, &session)) && hungUp(err))
}

// rejectedHelp is what a server's hanging up most often means: by the
// specification it does not say that it rejects a certificate.
func (d *Dialer) rejectedHelp() string {
	own := certificateOf(d.own.cert, "")
	return fmt.Sprintf("the server probably rejected the certificate of this gateway: find it among the rejected ones at the controller "+
		"(%s, thumbprint %s) and have it trusted, or load it there from %s/%s/%s; check the controller's clock as well",
		own.Subject, own.Thumbprint, d.settings.Folder, ownFolder, ownCert)
}
