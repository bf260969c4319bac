// This file lets serve.go declare a function without a body.
