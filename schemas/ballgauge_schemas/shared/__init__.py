"""What every part of the contract uses: fields, quantities, pointers and problems."""
