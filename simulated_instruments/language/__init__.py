"""The instruments' own SCPI language: text to calls, values to text, status. No I/O."""
