"""The tablet of a sign-up night, server side: the page that opens without a network, its files, and who is signed in."""
