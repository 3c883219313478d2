"""What becomes of boards, records and next starts when the programs that drive a board come to harm."""
