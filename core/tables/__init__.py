"""Any table as people have it (CSV, XLSX, pasted) read into typed rows and refused rows."""
