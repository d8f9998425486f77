"""Local web pages over the session: passenger's page, bay review, pictures, the printable write-up."""
